package acquire

import (
	"time"

	"thimbled/peak"
)

// An instrument is lost after both so many bad samples in a row and so long a
// time without a good one: a single lost poll is none, and neither is a short
// disturbance of an instrument that is polled often.
const (
	lostSamples = 3
	lostAfter   = time.Second
)

// Health follows whether an instrument gives good samples. It belongs to one
// goroutine.
type Health struct {
	instrument string
	bad        int           // samples in a row
	good       time.Duration // the last good sample, or the start
	lost       bool
	lostAt     time.Duration
	last       peak.Maybe[Sample]
}

// NewHealth follows the instrument called name from the start on.
func NewHealth(name string) Health { return Health{instrument: name} }

// Observe takes the instrument's next sample. It returns a
// [peak.InstrumentLost] or a [peak.InstrumentFound] when the sample makes the
// difference.
func (h *Health) Observe(s Sample) (e peak.Event, changed bool) {
	if s.Quality == peak.Good {
		found := peak.InstrumentFound{At: s.Answered, Instrument: h.instrument, Since: h.lostAt}
		changed = h.lost
		h.bad, h.lost, h.good, h.last = 0, false, s.Answered, peak.Known(s)
		return found, changed
	}
	h.bad++
	if h.lost || h.bad < lostSamples || s.Answered-h.good < lostAfter {
		return nil, false
	}
	h.lost, h.lostAt = true, s.Answered
	return peak.InstrumentLost{At: s.Answered, Instrument: h.instrument, Why: s.Why, Since: h.good}, true
}

// Lost says whether the instrument is lost.
func (h *Health) Lost() bool { return h.lost }

// LastGood returns the last good sample; unknown before the first.
func (h *Health) LastGood() peak.Maybe[Sample] { return h.last }
