package decision_test

import (
	"errors"
	"math"
	"math/big"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"thimbled/peak"
	"thimbled/peak/decision"
)

const kN = peak.Kilonewton

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// The normal distribution of gonum, far into both tails.
func TestProbabilitiesAgainstGonum(t *testing.T) {
	for _, u := range []peak.Force{1, 250 * peak.Newton, 3 * kN} {
		truth := distuv.Normal{Mu: float64(100 * kN), Sigma: float64(u)}
		for z := -8.0; z <= 8; z += 0.37 {
			limit := 100*kN + peak.Force(math.Round(z*float64(u)))
			below, above := decision.TrueBelow(limit, 100*kN, u), decision.TrueAbove(limit, 100*kN, u)
			near(t, "below", below, truth.CDF(float64(limit)), 1e-12)
			// its Survival is 1 - CDF, which has no digits left far out
			near(t, "above", above, truth.CDF(float64(2*100*kN-limit)), 1e-12)
			near(t, "both", below+above, 1, 1e-15)
		}
	}
}

// Values of the standard normal distribution: printed tables, from memory.
func TestProbabilitiesAgainstTables(t *testing.T) {
	for z, want := range map[int64]float64{0: 0.5, 1: 0.158655253931457, 2: 0.0227501319481792, 3: 0.00134989803163009, 6: 9.86587645037698e-10} {
		near(t, "tail", decision.TrueBelow(100*kN, 100*kN+peak.Force(z)*peak.Newton, peak.Newton), want, 1e-13)
		near(t, "tail", decision.TrueAbove(100*kN, 100*kN-peak.Force(z)*peak.Newton, peak.Newton), want, 1e-13)
	}
}

// The probability that an item accepted right at its guarded limit does not conform, by
// the width of the guard band in expanded uncertainties (k = 2): 50 % for simple
// acceptance, 2.5 % at most for a guard band of U (JCGM 106:2012, 8.3.2, and the table of
// guard bands of ILAC-G8:09/2019, from memory).
func TestRiskAtTheAcceptanceLimit(t *testing.T) {
	const u = 500 * peak.Newton
	for _, c := range []struct {
		width       float64 // of the guard band, in U
		most, least float64
	}{{0, 0.5, 0.5}, {0.83, 0.05, 0.048}, {1, 0.025, 0.022}, {1.5, 0.0016, 0.0013}, {3, 1e-6, 9e-10}, {-1, 0.98, 0.975}} {
		band := peak.Force(math.Round(c.width * float64(2*u)))
		if got := decision.TrueBelow(100*kN, 100*kN+band, u); got > c.most || got < c.least {
			t.Errorf("a guard band of %v U leaves a risk of %v, want %v to %v", c.width, got, c.least, c.most)
		}
	}
}

// The worked example of a breakdown voltage, -5.47 V with u = 0.05 V against at most
// -5.40 V, conforms with a probability of 0.92 (JCGM 106:2012, 7.4, from memory). The
// figures are the same for any unit.
func TestWorkedExample(t *testing.T) {
	got := 1 - decision.TrueAbove(-5400, -5470, 50)
	if math.Abs(got-0.92) > 0.005 {
		t.Errorf("the probability of conformance is %v", got)
	}
}

func TestWithoutUncertainty(t *testing.T) {
	for _, c := range []struct {
		measured     peak.Force
		below, above float64
	}{{99, 1, 0}, {100, 0, 0}, {101, 0, 1}} {
		if b, a := decision.TrueBelow(100, c.measured, 0), decision.TrueAbove(100, c.measured, 0); b != c.below || a != c.above {
			t.Errorf("%v against 100: %v below, %v above", c.measured, b, a)
		}
	}
}

func TestGuardsOfRules(t *testing.T) {
	for _, c := range []struct {
		rule       peak.DecisionRule
		percentage peak.Ratio
		u, force   peak.Force
		want       peak.Ratio
		err        error
	}{
		{peak.SimpleAcceptance, 0, kN, 100 * kN, 0, nil},
		{peak.GuardedByPercentage, 15_000, kN, 100 * kN, 15_000, nil},
		{peak.GuardedByPercentage, -1, kN, 100 * kN, 0, decision.ErrNoGuard},
		{peak.GuardedByUncertainty, 0, kN, 100 * kN, peak.Percent, nil},
		{peak.GuardedByUncertainty, 0, 0, 100 * kN, 0, nil},
		{peak.GuardedByUncertainty, 0, 1, 100 * kN, 1, nil},
		{peak.GuardedByUncertainty, 0, kN, 0, 0, decision.ErrNoGuard},
		{peak.GuardedByUncertainty, 0, -1, kN, 0, decision.ErrNoGuard},
		{peak.GuardedByUncertainty, 0, 10 * kN, kN, 0, decision.ErrNoGuard},
		{peak.GuardedByUncertainty, 0, math.MaxInt64, 1, 0, decision.ErrNoGuard},
		{peak.GuardedByUncertainty, 0, math.MaxInt64, math.MaxInt64, 1_000_000, nil},
		{"", 0, kN, kN, 0, decision.ErrNoRule},
	} {
		got, err := decision.Guard(c.rule, c.percentage, c.u, c.force)
		if got != c.want || !errors.Is(err, c.err) {
			t.Errorf("%q %v, %v on %v: %v, %v", c.rule, c.percentage, c.u, c.force, got, err)
		}
	}
}

// A force raised by the guard is raised by the uncertainty or more, and the next smaller
// millionth would not do: in exact numbers.
func FuzzGuardCoversTheUncertainty(f *testing.F) {
	f.Add(int64(1), int64(3))
	f.Add(int64(123_457), int64(100_000_001))
	f.Add(int64(9_999_999), int64(1_000_000))
	f.Fuzz(func(t *testing.T, u, required int64) {
		guard, err := decision.GuardOf(peak.Force(u), peak.Force(required))
		if err != nil {
			return
		}
		const most = 1e15
		if required < most {
			if raised := guard.Of(peak.Force(required)); raised < peak.Force(u) {
				t.Fatalf("%v of %d raises by %d, below %d", guard, required, raised, u)
			}
		}
		asked := new(big.Int).Mul(big.NewInt(u), big.NewInt(1_000_000))
		less := new(big.Int).Mul(big.NewInt(int64(guard)-1), big.NewInt(required))
		if guard > 0 && less.Cmp(asked) >= 0 {
			t.Fatalf("%v is more than %d of %d needs", guard, u, required)
		}
	})
}

func TestRiskOfPulls(t *testing.T) {
	budget := peak.Known(peak.Budget{Noise: 300 * peak.Newton, Resolution: 400 * peak.Newton}) // 500 N together
	pull := peak.PullEnded{
		Requirement: peak.Known(peak.Requirement{Asked: 100 * kN, Limit: peak.Known(110 * kN)}),
		Held:        peak.Known(100*kN + 500*peak.Newton), HeldBudget: budget,
		Peak: peak.Known(109 * kN), PeakBudget: budget,
	}
	with := func(change func(e *peak.PullEnded)) peak.PullEnded {
		e := pull
		change(&e)
		return e
	}
	tail := func(z float64) peak.Maybe[float64] { return peak.Known(distuv.UnitNormal.Survival(z)) }
	none := peak.Maybe[float64]{}
	for name, c := range map[string]struct {
		pull       peak.PullEnded
		held, peak peak.Maybe[float64]
	}{
		"both":               {pull, tail(1), tail(2)},
		"nothing required":   {with(func(e *peak.PullEnded) { e.Requirement.Known = false }), none, none},
		"no limit":           {with(func(e *peak.PullEnded) { e.Requirement.Value.Limit.Known = false }), tail(1), none},
		"no budget":          {with(func(e *peak.PullEnded) { e.HeldBudget.Known, e.PeakBudget.Known = false, false }), none, none},
		"not held":           {with(func(e *peak.PullEnded) { e.Held.Known = false }), none, tail(2)},
		"below the guard":    {with(func(e *peak.PullEnded) { e.Requirement.Value.Guard = peak.Percent }), none, tail(2)},
		"above the guarded":  {with(func(e *peak.PullEnded) { e.Requirement.Value.LimitGuard = 2 * kN }), tail(1), none},
		"right at the limit": {with(func(e *peak.PullEnded) { e.Peak.Value = 110 * kN }), tail(1), tail(0)},
		"asked, not guarded": {with(func(e *peak.PullEnded) {
			e.Requirement.Value.Guard, e.Held.Value = peak.Percent, 101*kN
		}), tail(2), tail(2)},
	} {
		got := decision.OfPull(c.pull)
		for _, x := range [][2]peak.Maybe[float64]{{got.Held, c.held}, {got.Peak, c.peak}} {
			if x[0].Known != x[1].Known || math.Abs(x[0].Value-x[1].Value) > 1e-15 {
				t.Errorf("%s: %+v, want %+v and %+v", name, got, c.held, c.peak)
			}
		}
	}
}
