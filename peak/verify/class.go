package verify

import "math"

// class is a row of ISO 7500-1, Table 2: the most that is allowed, in per cent, and
// the lower limit in resolutions.
type class struct {
	name, q, b, zero, resolution float64
	lowest                       float64
}

// classes from best to worst. The lower limits were read; q and b are secondary for
// 0.5 to 2, the rest is from memory.
var classes = []class{
	{name: 0.5, q: 0.5, b: 0.5, zero: 0.05, resolution: 0.25, lowest: 400},
	{name: 1, q: 1, b: 1, zero: 0.1, resolution: 0.5, lowest: 200},
	{name: 2, q: 2, b: 2, zero: 0.2, resolution: 1, lowest: 100},
	{name: 3, q: 3, b: 3, zero: 0.3, resolution: 1.5, lowest: 67},
}

// leastSeries is how many series ISO 7500-1 wants.
const leastSeries = 3

// classify finds the best class that every force of the verified range is good for.
// The worse of both editions' repeatability counts.
func (r *Report) classify(s Session) {
	for _, c := range classes {
		if r.within(c, s.Resolution) {
			r.Class = c.name
			break
		}
	}
	if r.Class == 0 {
		r.find(Remark, ruleClass, "the figures are good for no class")
	}
	if r.Runs < leastSeries {
		r.find(Remark, ruleSeries, "%d series were made, the standard asks for %d: the class tells what the figures are good for", r.Runs, leastSeries)
	}
}

func (r *Report) within(c class, resolution float64) bool {
	if r.ZeroReturn > c.zero {
		return false
	}
	for _, l := range r.Levels {
		if l.Applied < r.From || l.Applied > r.To {
			continue
		}
		if math.Abs(l.Q) > c.q || max(l.BOlder, l.BLater) > c.b || l.Resolution > c.resolution || l.Applied < c.lowest*resolution {
			return false
		}
	}
	return true
}
