package acquire

import (
	"time"

	"thimbled/peak"
)

// Quantity is what an instrument measures.
type Quantity uint8

// The quantities.
const (
	Force Quantity = iota
	Pressure
)

// Sample is what one poll of one instrument gave. Times are since the start
// given to [Poll], on the monotonic clock.
type Sample struct {
	Instrument string
	Measures   Quantity
	// Due is the slot of the schedule that the poll served; Asked less Due is
	// how late the poll was. A line of text that comes by itself is due when
	// it is waited for.
	Due time.Duration
	// Asked is when the request was sent or the waiting began, Answered when
	// the last byte of the answer had arrived, or when the poll failed.
	Asked, Answered time.Duration
	// Missed is how many slots passed without a poll since the sample before,
	// because the line or this computer was too slow.
	Missed int

	Quality peak.Quality
	// Why says in plain words why the sample is bad; empty when it is good.
	Why string

	// Force or Pressure is set, by what the instrument measures, when the
	// sample is good: scaled and rounded once, half away from zero.
	Force    peak.Force
	Pressure peak.Pressure
	// Raw is the number in the register or the line, before scale and offset.
	// 0 when there was none.
	Raw float64
	// Scaled says that the raw number was made another one by us.
	Scaled bool
	// Stable is what the instrument says of its value, if it does.
	Stable peak.Maybe[bool]
	// Constant is the calibration constant, in those samples with which it
	// was read. It is the number of an integer register and the bits of a
	// float32, for it is compared and not reckoned with.
	Constant peak.Maybe[int64]
}
