package bench

import (
	"time"

	"thimbled/peak"
)

// Status is what an instrument says about itself, one bit each.
type Status uint16

// The status bits.
const (
	Stable       Status = 1 << iota // the value has not moved lately
	OverRange                       // above 105 % of capacity; the value stays there
	NotReady                        // calibrating itself; the value is 0 and means nothing
	UnderRange                      // the signal is below all that a cell gives
	statusBits   = 16
	overRangePct = 105
)

// Indicator describes the load indicator.
type Indicator struct {
	Capacity peak.Force
	Division peak.Force    // the smallest step it shows; 0 or 1 mN for every one
	Every    time.Duration // bench time between two values
	Constant uint32        // calibration constant, in nV/V at capacity
}

// Transducer describes the pressure transducer.
type Transducer struct {
	Range peak.Pressure
	Noise peak.Pressure // standard deviation of one sample
	Every time.Duration // bench time between two values
}

// Values is what one instrument shows at a moment.
type Values struct {
	Force    peak.Force
	Pressure peak.Pressure
	Status   Status
	Constant uint32
	Updates  uint16 // counts the values, and wraps
	NaN      bool   // its float registers hold no number
}

// stableFor is how many values in a row decide whether the force is stable.
const stableFor = 25

// indicator is a load indicator at work. Its owner is the simulation.
type indicator struct {
	Indicator
	values Values
	recent [stableFor]peak.Force
	next   int
}

// update takes a sample of the load cell.
func (n *indicator) update(sample peak.Force) {
	shown := roundTo(sample, n.Division)
	n.recent[n.next] = shown
	n.next = (n.next + 1) % stableFor
	status := Status(0)
	if n.spread() <= 2*n.Division {
		status |= Stable
	}
	if most := n.full().Force; shown > most || shown < -most {
		status |= OverRange
		shown = min(max(shown, -most), most)
	}
	n.values = Values{Force: shown, Status: status, Constant: n.Constant, Updates: n.values.Updates + 1}
}

// without is what the indicator shows in place of a sample while the load cell is
// unplugged.
func (n *indicator) without(shows NoCell) {
	v := Values{Constant: n.Constant, Updates: n.values.Updates + 1}
	switch shows {
	case ShowsOverRange:
		v.Force, v.Status = n.full().Force, OverRange
	case ShowsUnderRange:
		v.Force, v.Status = -n.full().Force, UnderRange
	case ShowsNotReady:
		v.Status = NotReady
	case ShowsZero:
		v.Status = Stable
	case ShowsFrozen:
		return
	}
	n.values = v
}

// full is what the indicator shows when it is over its range.
func (n Indicator) full() Values {
	return Values{Force: roundTo(n.Capacity/100*overRangePct, n.Division)}
}

func (n *indicator) spread() peak.Force {
	low, high := n.recent[0], n.recent[0]
	for _, f := range n.recent[1:] {
		low, high = min(low, f), max(high, f)
	}
	return high - low
}

// transducer is a pressure transducer at work. Its owner is the simulation.
type transducer struct {
	Transducer
	values Values
}

func (t *transducer) update(sample peak.Pressure) {
	shown, status := max(0, sample), Status(0)
	if most := t.full().Pressure; shown > most {
		shown, status = most, OverRange
	}
	t.values = Values{Pressure: shown, Status: status, Updates: t.values.Updates + 1}
}

// full is what the transducer shows when it is over its range.
func (t Transducer) full() Values {
	return Values{Pressure: t.Range / 100 * overRangePct}
}

// roundTo rounds to a whole number of divisions, half away from zero.
func roundTo(f, division peak.Force) peak.Force {
	if division <= 1 {
		return f
	}
	if f < 0 {
		return -roundTo(-f, division)
	}
	return (f + division/2) / division * division
}
