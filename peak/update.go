package peak

import "time"

// longestRepeat is the most readings in a row with one value that are told
// apart; beyond it the force simply stands still.
const longestRepeat = 64

// updates finds out how often the indicator really has a new value: while the
// force moves, a value that is polled faster than it is made comes several times.
type updates struct {
	started  bool
	at       time.Duration
	watched  time.Duration // between neighbouring readings
	readings int
	value    Force
	repeats  int
	fresh    bool                 // the value began before it was watched
	counts   [longestRepeat]int32 // of values by how many readings had them
}

// see takes the next reading of a moving force.
func (u *updates) see(at time.Duration, f Force) {
	if !u.started {
		u.started, u.at, u.value, u.repeats = true, at, f, 0
		u.fresh = true
		return
	}
	u.readings++
	u.watched += at - u.at
	u.at = at
	u.repeats++
	if f == u.value {
		return
	}
	if !u.fresh && u.repeats <= longestRepeat {
		u.counts[u.repeats-1]++
	}
	u.value, u.repeats, u.fresh = f, 0, false
}

// pause lets the force stand still: what comes after it has no neighbour.
func (u *updates) pause() { u.started = false }

// every is the time between two values of the indicator: the median number of
// readings that had the same value, in mean reading times. It is unknown before
// enough values were seen.
func (u *updates) every() Maybe[time.Duration] {
	const enough = 8
	total := int32(0)
	for _, n := range u.counts {
		total += n
	}
	if total < enough {
		return Maybe[time.Duration]{}
	}
	mean := u.watched / time.Duration(u.readings)
	seen := int32(0)
	for i, n := range u.counts {
		if seen += n; 2*seen >= total {
			return Known(time.Duration(i+1) * mean)
		}
	}
	return Maybe[time.Duration]{}
}
