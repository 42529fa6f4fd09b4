package peak

import "time"

// longestRepeat is the most readings in a row with one value that are told
// apart; beyond it the force simply stands still.
const longestRepeat = 64

// updates finds out how often the indicator really has a new value: while the
// force moves, a value that is polled faster than it is made comes several times.
type updates struct {
	started   bool
	at, first time.Duration
	readings  int
	value     Force
	repeats   int
	counts    [longestRepeat]int32 // of values by how many readings had them
	changes   int32
}

// see takes the next reading of a moving force.
func (u *updates) see(at time.Duration, f Force) {
	if !u.started {
		*u = updates{started: true, first: at, at: at, value: f, readings: 1}
		return
	}
	u.readings++
	u.at = at
	u.repeats++
	if f == u.value {
		return
	}
	// The first value began before it was watched.
	if u.changes > 0 && u.repeats <= longestRepeat {
		u.counts[u.repeats-1]++
	}
	u.value, u.repeats = f, 0
	u.changes++
}

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
	mean := (u.at - u.first) / time.Duration(u.readings-1)
	seen := int32(0)
	for i, n := range u.counts {
		if seen += n; 2*seen >= total {
			return Known(time.Duration(i+1) * mean)
		}
	}
	return Maybe[time.Duration]{}
}
