package peak

import "time"

// lossWatch finds a sudden loss of load: a fall of the confirmed force, by a
// part of the peak so far, within a short time.
type lossWatch struct {
	within time.Duration
	part   Ratio
	recent extreme
}

// see takes the next reading of a pull and says whether the load was lost.
func (l *lossWatch) see(s sample, peak Force) bool {
	if !s.confirmed.Known {
		return false
	}
	l.recent.dropBefore(s.at - l.within)
	l.recent.push(point{s.at, s.confirmed.Value})
	fall := l.recent.first().force - s.confirmed.Value
	return fall > 0 && fall >= l.part.Of(peak)
}
