package decision

import (
	"math"

	"thimbled/peak"
)

// TrueBelow is the probability, from 0 to 1, that the true force is below a tolerance
// limit, given the measured force and its standard uncertainty: the normal distribution
// at (limit - measured) / u (JCGM 106:2012, 7.4). Without an uncertainty it is 0 or 1; a
// force at the limit is not below it.
func TrueBelow(limit, measured, u peak.Force) float64 {
	return upperTail(measured-limit, u)
}

// TrueAbove is the same for a true force above a tolerance limit.
func TrueAbove(limit, measured, u peak.Force) float64 {
	return upperTail(limit-measured, u)
}

// upperTail is the probability that a normal deviation exceeds the distance; the
// complementary error function keeps its digits far out.
func upperTail(distance, u peak.Force) float64 {
	if u <= 0 {
		if distance < 0 {
			return 1
		}
		return 0
	}
	return math.Erfc(float64(distance)/float64(u)/math.Sqrt2) / 2
}

// Risk is the probability of false acceptance of one pull: the specific consumer's risk
// of JCGM 106:2012, 9.3.2.
type Risk struct {
	// Held is the probability that the force which the item was held at was really below
	// the force asked for; unknown when nothing was accepted or no uncertainty is known.
	Held peak.Maybe[float64]
	// Peak is the probability that the highest force was really above the limit.
	Peak peak.Maybe[float64]
}

// OfPull is what accepting a pull risks. A force is accepted by the guarded levels of the
// requirement and compared here with the ones asked for: the guard is what keeps the risk
// down.
func OfPull(e peak.PullEnded) Risk {
	var out Risk
	if !e.Requirement.Known {
		return out
	}
	r := e.Requirement.Value
	if e.Held.Known && e.HeldBudget.Known && e.Held.Value >= r.Required() {
		out.Held = peak.Known(TrueBelow(r.Asked, e.Held.Value, e.HeldBudget.Value.Combined()))
	}
	if highest := r.Highest(); e.Peak.Known && e.PeakBudget.Known && highest.Known && e.Peak.Value <= highest.Value {
		out.Peak = peak.Known(TrueAbove(r.Limit.Value, e.Peak.Value, e.PeakBudget.Value.Combined()))
	}
	return out
}
