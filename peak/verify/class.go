package verify

import (
	"fmt"
	"math"
)

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

// classify finds the best class that every one of the levels is good for. Runs that do
// not fit together have none.
func (r *Report) classify(levels []Level) {
	if r.Runs < leastSeries {
		r.find(Remark, ruleSeries, "%d series were made, the standard asks for %d: a class tells what the figures are good for", r.Runs, leastSeries)
	}
	for _, f := range r.Findings {
		if f.Rule == ruleReadings || f.Rule == ruleRuns {
			return
		}
	}
	if len(levels) < leastForces { // ISO 7500-1 asks for as many as ASTM E4 (from memory)
		r.find(Remark, ruleClass, "no class is stated for %d forces, at least %d are needed", len(levels), leastForces)
		return
	}
	why := ""
	for _, c := range classes {
		if why = r.beyond(c, levels); why == "" {
			r.Class, r.ClassLowerLimit = c.name, c.lowest*r.resolution
			r.ClassFrom, r.ClassTo = levels[0].Applied, levels[len(levels)-1].Applied
			return
		}
	}
	r.find(Remark, ruleClass, "the figures are good for no class: %s", why)
}

// beyond says what is beyond the limits of a class; empty if nothing is. The worse of
// both editions' repeatability counts.
func (r *Report) beyond(c class, levels []Level) string {
	if exceeds(r.ZeroReturn, c.zero) {
		return fmt.Sprintf("a zero return is %.4f %% of the highest force", r.ZeroReturn)
	}
	for _, l := range levels {
		b := max(l.BOlder, l.BLater)
		switch {
		case exceeds(c.lowest*r.resolution, l.Lowest):
			return fmt.Sprintf("%s is below %g resolutions", r.show(l.Lowest), c.lowest)
		case exceeds(l.Resolution, c.resolution):
			return fmt.Sprintf("at %s the resolution is %.4f %%", r.show(l.Applied), l.Resolution)
		case exceeds(math.Abs(l.Q), c.q):
			return fmt.Sprintf("at %s q is %.4f %%", r.show(l.Applied), l.Q)
		case exceeds(b, c.b):
			return fmt.Sprintf("at %s b is %.4f %%", r.show(l.Applied), b)
		}
	}
	return ""
}
