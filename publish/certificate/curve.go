package certificate

import (
	"slices"
	"time"

	"thimbled/peak"
)

// sample is a good reading: net force against time since the pull began.
type sample struct {
	at    time.Duration
	force peak.Force
}

// curve is what a pull's trace shows.
type curve struct {
	stretches [][]sample // unbroken, thinned, in order
	from, to  time.Duration
	placed    bool // times count from the pull's start, not from the trace's
	pull      peak.PullEnded
}

// mostSamples is about how many samples a curve keeps: more cannot be seen on
// paper.
const mostSamples = 2000

// newCurve returns the curve of a pull, or nil when the trace has no good
// reading.
func newCurve(e peak.PullEnded, readings []peak.Reading) *curve {
	var good []sample
	for _, r := range readings {
		if r.Quality == peak.Good {
			good = append(good, sample{r.At, r.Force - e.Zero - e.Tare})
		}
	}
	if len(good) == 0 {
		return nil
	}
	c := &curve{pull: e}
	var start time.Duration
	if start, c.placed = startIn(good, e); c.placed {
		for i := range good {
			good[i].at -= start
		}
		good = around(good, e)
	} else {
		good = slices.Clone(good)
	}
	c.from, c.to = good[0].at, good[len(good)-1].at
	kept := len(good)
	for _, s := range split(good, usualGap(good, e.LongestGap)) {
		c.stretches = append(c.stretches, thin(s, max(4, mostSamples*len(s)/kept)))
	}
	return c
}

// around cuts off what lies far before and after the pull.
func around(good []sample, e peak.PullEnded) []sample {
	to := good[len(good)-1].at
	if e.EndedAt.Known {
		to = e.EndedAt.Value - e.StartedAt
	}
	margin := max(2*time.Second, to/12)
	first := slices.IndexFunc(good, func(s sample) bool { return s.at >= -margin })
	end := slices.IndexFunc(good, func(s sample) bool { return s.at > to+margin })
	if end < 0 {
		end = len(good)
	}
	return slices.Clone(good[first:end])
}

// usualGap is the time between two readings from which on nothing seems to have
// been seen between them: much more than most, and in any case the longest gap that
// the record tells of.
func usualGap(good []sample, longestGap time.Duration) time.Duration {
	apart := make([]time.Duration, 0, len(good))
	for i := 1; i < len(good); i++ {
		apart = append(apart, good[i].at-good[i-1].at)
	}
	slices.Sort(apart)
	limit := time.Duration(0)
	if len(apart) > 0 {
		limit = 4 * apart[len(apart)/2]
	}
	if longestGap > 0 {
		limit = min(limit, longestGap-1)
	}
	return limit
}

// split parts the samples where nothing was seen.
func split(good []sample, usual time.Duration) [][]sample {
	var out [][]sample
	begin := 0
	for i := 1; i < len(good); i++ {
		if good[i].at-good[i-1].at > usual {
			out = append(out, good[begin:i])
			begin = i
		}
	}
	return append(out, good[begin:])
}

// thin keeps about so many of the samples: of each part of them the first, the
// last, the lowest and the highest.
func thin(s []sample, most int) []sample {
	if len(s) <= most {
		return s
	}
	parts := max(1, most/4)
	var out []sample
	for i := range parts {
		part := s[i*len(s)/parts : (i+1)*len(s)/parts]
		keep := []int{0, len(part) - 1, 0, 0}
		for k, x := range part {
			if x.force < part[keep[2]].force {
				keep[2] = k
			}
			if x.force > part[keep[3]].force {
				keep[3] = k
			}
		}
		slices.Sort(keep)
		for _, k := range slices.Compact(keep) {
			out = append(out, part[k])
		}
	}
	return out
}
