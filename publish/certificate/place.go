package certificate

import (
	"cmp"
	"slices"
	"time"

	"thimbled/peak"
)

// startIn finds the start of the pull in the time of its trace, which counts from
// the trace's first reading: the place at which everything that the record tells of
// the pull is so in the trace. The pull before may be in the trace too, so the
// last such place counts.
func startIn(good []sample, e peak.PullEnded) (start time.Duration, ok bool) {
	if !e.Peak.Known {
		return 0, false
	}
	p := placing{good: good, usual: usualGap(good, e.LongestGap), pull: e}
	for i := len(good) - 2; i > 0; i-- {
		start := good[i].at - (e.PeakAt - e.StartedAt)
		if p.confirmed(i) == e.Peak.Value && p.fits(start, i) {
			return start, true
		}
	}
	return 0, false
}

// placing compares a pull's record with its trace.
type placing struct {
	good  []sample
	usual time.Duration // readings further apart may have a gap between them
	pull  peak.PullEnded
}

// confirmed is the confirmed force of a reading that is neither the first nor the
// last.
func (p placing) confirmed(i int) peak.Force {
	a, b, c := p.good[i-1].force, p.good[i].force, p.good[i+1].force
	return max(min(a, b), min(max(a, b), c))
}

// fits reports whether the record is true of the trace if the pull started then
// and its peak is reading i.
func (p placing) fits(start time.Duration, i int) bool {
	first, ok := p.index(start)
	if !ok || first > i || p.inside(first-1) && p.confirmed(first-1) >= p.confirmed(first) {
		return false
	}
	for k := first; k < i; k++ { // the peak is the first of its height
		if p.inside(k) && p.confirmed(k) >= p.pull.Peak.Value {
			return false
		}
	}
	if h := p.pull.Hold; h.From.Known && h.To.Known && p.pull.Requirement.Known {
		required := p.pull.Requirement.Value.Required()
		if !p.edge(start, h.From.Value, -1, required) || !p.edge(start, h.To.Value, 1, required) {
			return false
		}
	}
	return true
}

// edge reports whether the required force was confirmed at a time of the record
// and not at the reading beside it.
func (p placing) edge(start, at time.Duration, beside int, required peak.Force) bool {
	i, ok := p.index(start + at - p.pull.StartedAt)
	if !ok || p.inside(i) && p.confirmed(i) < required {
		return false
	}
	return !p.inside(i+beside) || p.confirmed(i+beside) < required
}

// inside says that a reading has neighbours without a doubt of a gap.
func (p placing) inside(i int) bool {
	return i > 0 && i < len(p.good)-1 && p.good[i].at-p.good[i-1].at <= p.usual && p.good[i+1].at-p.good[i].at <= p.usual
}

// index returns the reading at that time, if there is one with neighbours.
func (p placing) index(at time.Duration) (i int, ok bool) {
	i, ok = slices.BinarySearchFunc(p.good, at, func(s sample, at time.Duration) int { return cmp.Compare(s.at, at) })
	return i, ok && i > 0 && i < len(p.good)-1
}
