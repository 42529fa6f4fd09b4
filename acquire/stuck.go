package acquire

import (
	"fmt"
	"time"

	"thimbled/peak"
)

// pressureMove is how far the pressure must move before the force must have
// moved too: well above the noise of a transducer and the friction of a cylinder
// at rest.
const pressureMove = 5 * peak.Bar

// StuckWatch finds a load indicator whose value no longer changes: since its
// last change the pressure has moved by 5 bar, and that was long enough ago. It
// belongs to one goroutine, which gives it the samples of both instruments.
type StuckWatch struct {
	after    time.Duration
	raw      peak.Maybe[float64]
	low      peak.Pressure // lowest and highest since the last change
	high     peak.Pressure
	pressed  bool // low and high are known
	moved    bool // they are far enough apart
	movedAt  time.Duration
	pressure peak.Maybe[peak.Pressure] // the last good one
}

// NewStuckWatch makes a watch that calls a value stuck so long after the
// pressure has moved; 0 turns it off.
func NewStuckWatch(after time.Duration) StuckWatch { return StuckWatch{after: after} }

// Observe returns the sample, with the quality stuck when it is a force that is.
func (w *StuckWatch) Observe(s Sample) Sample {
	if w.after <= 0 || s.Quality != peak.Good {
		return s
	}
	if s.Measures == Pressure {
		w.press(s)
		return s
	}
	if !w.raw.Known || w.raw.Value != s.Raw {
		w.raw = peak.Known(s.Raw)
		w.low, w.high, w.pressed, w.moved = w.pressure.Value, w.pressure.Value, w.pressure.Known, false
		return s
	}
	if w.moved && s.Answered-w.movedAt >= w.after {
		s.Quality = peak.Stuck
		s.Why = fmt.Sprintf("the value stays at %v although the pressure moved from %v to %v", s.Raw, w.low, w.high)
		s.Force = 0
	}
	return s
}

func (w *StuckWatch) press(s Sample) {
	w.pressure = peak.Known(s.Pressure)
	if !w.pressed {
		w.low, w.high, w.pressed = s.Pressure, s.Pressure, true
	}
	w.low, w.high = min(w.low, s.Pressure), max(w.high, s.Pressure)
	if !w.moved && w.high-w.low >= pressureMove {
		w.moved, w.movedAt = true, s.Answered
	}
}
