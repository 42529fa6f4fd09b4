package decision

import (
	"errors"
	"fmt"
	"math/bits"

	"thimbled/peak"
)

// Errors of a guard.
var (
	// ErrNoRule says that a decision rule is none of those that are known.
	ErrNoRule = errors.New("there is no such decision rule")
	// ErrNoGuard says that no guard can be made: the required force must be above 0, the
	// uncertainty and the percentage not below, and the guard less than ten times the force.
	ErrNoGuard = errors.New("the guard cannot be worked out")
)

// mostGuard bounds a guard, in parts per million; peak.Ratio.Of takes less than that.
const mostGuard = 10_000_000

// Guard is how much a rule raises the required force: nothing by simple acceptance
// (JCGM 106:2012, 8.2), the percentage as it is, or a guard band of the expanded
// uncertainty, k = 2 (JCGM 106:2012, 8.3.2).
func Guard(rule peak.DecisionRule, percentage peak.Ratio, expanded, required peak.Force) (peak.Ratio, error) {
	switch rule {
	case peak.SimpleAcceptance:
		return 0, nil
	case peak.GuardedByPercentage:
		if percentage < 0 || percentage >= mostGuard {
			return 0, fmt.Errorf("%w of %v", ErrNoGuard, percentage)
		}
		return percentage, nil
	case peak.GuardedByUncertainty:
		return GuardOf(expanded, required)
	}
	return 0, fmt.Errorf("%w as %q", ErrNoRule, rule)
}

// GuardOf is the expanded uncertainty as a part of the required force, rounded up to a
// millionth: raised by it, the force is raised by no less than the uncertainty.
func GuardOf(expanded, required peak.Force) (peak.Ratio, error) {
	if expanded < 0 || required <= 0 || expanded/10 >= required {
		return 0, fmt.Errorf("%w of %v from an uncertainty of %v", ErrNoGuard, required, expanded)
	}
	const million = 1_000_000
	hi, lo := bits.Mul64(uint64(expanded), million)
	// expanded < 10 x required + 10, so the quotient fits.
	quotient, rest := bits.Div64(hi, lo, uint64(required))
	if rest > 0 {
		quotient++
	}
	if quotient >= mostGuard {
		return 0, fmt.Errorf("%w of %v from an uncertainty of %v", ErrNoGuard, required, expanded)
	}
	return peak.Ratio(quotient), nil
}
