package main

import (
	"time"

	"thimbled/acquire"
	"thimbled/peak"
)

// row is one row of the trace: a reading of the load indicator with the
// pressure that was read since the one before.
type row struct {
	reading peak.Reading
	raw     float64 // what the indicator said before scale and offset
}

// merger makes rows of the samples of both instruments. A row is due with each
// sample of the load indicator, good or bad.
type merger struct {
	pressure peak.Maybe[peak.Pressure]
	last     time.Duration
}

// add takes a sample and says whether it completes a row.
func (m *merger) add(s acquire.Sample) (row, bool) {
	if s.Instrument == pressureName {
		m.pressure = peak.Maybe[peak.Pressure]{}
		if s.Quality == peak.Good {
			m.pressure = peak.Known(s.Pressure)
		}
		return row{}, false
	}
	// The trace's times rise strictly, whatever the clock's resolution.
	at := max(s.Answered, m.last+1)
	r := row{reading: peak.Reading{At: at, Force: s.Force, Pressure: m.pressure, Quality: s.Quality}, raw: s.Raw}
	if s.Quality != peak.Good {
		r.reading.Force, r.raw = 0, 0
	}
	m.last, m.pressure = at, peak.Maybe[peak.Pressure]{}
	return r, true
}
