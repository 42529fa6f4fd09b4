package verify

import (
	"cmp"
	"math"
	"slices"
)

// What ASTM E4 asks.
const (
	mostError         = 1.0 // per cent of the force (read)
	mostRepeatability = 1.0 // per cent (from memory)
	leastForces       = 5   // (read)
	leastRuns         = 2   // (read)
	leastResolutions  = 200 // lowest force in resolutions (read)
	// The return to zero is within the greater of these (from memory).
	zeroOfHighest = 0.001 // of the run's highest force
	zeroOfLowest  = 0.01  // of the lowest force of the range
)

// exceeds leaves the rounding of binary fractions out of account.
func exceeds(x, limit float64) bool { return x > float64(limit*(1+1e-9)) }

// chooseRange finds the longest row of neighbouring forces that keep every rule, the higher
// of two: levels[from:to]. When there is none it is refused, and all levels are looked
// at together.
func (r *Report) chooseRange() (from, to int) {
	sound := make([]bool, len(r.Levels))
	for i, l := range r.Levels {
		sound[i] = r.keeps(l)
	}
	chosen := longest(sound, func(from, to int) bool { return to-from >= leastForces && r.wronglyChosen(r.Levels[from:to]) == "" })
	widest := longest(sound, func(from, to int) bool { return true })
	switch {
	case chosen.length() > 0:
		if around := chosen.widened(sound); around != chosen {
			r.find(Limits, ruleSpacing, "%s; from %s to %s they are chosen well", r.wronglyChosen(r.Levels[around.from:around.to]),
				r.show(r.Levels[chosen.from].Applied), r.show(r.Levels[chosen.to-1].Applied))
		}
		return chosen.from, chosen.to
	case widest.length() < leastForces:
		r.find(Refuses, ruleForces, "%d neighbouring forces keep the rules, at least %d are needed", widest.length(), leastForces)
	default:
		r.find(Refuses, ruleSpacing, "%s", r.wronglyChosen(r.Levels[widest.from:widest.to]))
	}
	return 0, len(r.Levels)
}

// keeps says whether a force may be in the verified range, and finds why not.
func (r *Report) keeps(l Level) bool {
	n := len(r.Findings)
	if least := leastResolutions * r.resolution; exceeds(least, l.Lowest) {
		r.find(Limits, ruleLowerLimit, "%s is below %d x %s = %s", r.show(l.Lowest), leastResolutions, r.show(r.resolution), r.show(least))
	}
	if exceeds(l.MaxError, mostError) {
		r.find(Limits, ruleError, "at %s the error is %.4f %%, at most %g %% is allowed", r.show(l.Applied), l.MaxError, mostError)
	}
	if exceeds(l.Repeatability, mostRepeatability) {
		r.find(Limits, ruleRepeatability, "at %s the runs differ by %.4f %%, at most %g %% is allowed", r.show(l.Applied), l.Repeatability, mostRepeatability)
	}
	return len(r.Findings) == n
}

// stretch is levels[from:to].
type stretch struct{ from, to int }

func (s stretch) length() int { return s.to - s.from }

// widened is the whole row of sound levels that s lies in.
func (s stretch) widened(sound []bool) stretch {
	for s.from > 0 && sound[s.from-1] {
		s.from--
	}
	for s.to < len(sound) && sound[s.to] {
		s.to++
	}
	return s
}

// longest is the longest row of sound levels that is allowed, the higher of two; empty
// when there is none.
func longest(sound []bool, allowed func(from, to int) bool) stretch {
	for n := len(sound); n > 0; n-- {
		for from := len(sound) - n; from >= 0; from-- {
			if !slices.Contains(sound[from:from+n], false) && allowed(from, from+n) {
				return stretch{from, from + n}
			}
		}
	}
	return stretch{}
}

// zero looks at the zero returns; lowest is the lowest force of the range.
func (r *Report) zero(all []*series, lowest float64) {
	highest := r.Levels[len(r.Levels)-1].Highest
	for _, s := range all {
		if !s.after.Known {
			continue
		}
		z := Zero{Run: s.run, Before: s.before.Value, After: s.after.Value, Departure: s.after.Value - s.before.Value}
		r.Zeros = append(r.Zeros, z)
		r.ZeroReturn = max(r.ZeroReturn, math.Abs(z.Departure)/highest*100)
		top := slices.MaxFunc(s.forces, func(a, b Row) int { return cmp.Compare(a.Applied, b.Applied) }).Applied
		if limit := max(zeroOfHighest*top, zeroOfLowest*lowest); exceeds(math.Abs(z.Departure), limit) {
			r.find(Refuses, ruleZero, "run %d comes back to %s from where it began, at most %s is allowed", s.run, r.show(z.Departure), r.show(limit))
		}
	}
	if r.ZeroReturns = len(r.Zeros); r.ZeroReturns < len(all) {
		r.find(Remark, ruleZero, "%d of %d runs have no zero return recorded", len(all)-r.ZeroReturns, len(all))
	}
}
