package certificate

import (
	"fmt"
	"math"
	"slices"

	"thimbled/peak"
	"thimbled/peak/decision"
)

// decisionRows name the decision rule of each demand; one row if it is the same for all.
func (c *Certificate) decisionRows(demands []peak.Requirement) []row {
	var out []row
	for _, d := range demands {
		r := row{Label: "Decision rule", Text: c.decision(d), Wide: true}
		if !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	return out
}

// decision says in words how the uncertainty of a force counts in its judgement
// (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8.2 and 8.3).
func (c *Certificate) decision(r peak.Requirement) string {
	switch r.Decision() {
	case peak.SimpleAcceptance:
		return "simple acceptance: forces are compared as they were measured, whatever their uncertainty (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8.2)"
	case peak.GuardedByPercentage:
		return fmt.Sprintf("guarded by a percentage, %s (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8.3)", joined(r.Guard.String()))
	case peak.GuardedByUncertainty:
		s := "guarded by the expanded uncertainty (k\u00a0=\u00a02) that was known before the pull: the force asked for is raised by it"
		if r.Limit.Known && r.LimitGuard > 0 {
			s += fmt.Sprintf(", and the limit of %s is lowered by %s", c.figures.force(r.Limit.Value), c.figures.uncertainty(r.LimitGuard))
		}
		return s + " (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8.3)"
	}
	return plain(string(r.Rule))
}

// probability shows one in per cent, rounded up to a tenth.
func probability(p float64) string {
	const tenth = 0.001
	if p < tenth {
		return "below\u00a00.1\u00a0%"
	}
	return fmt.Sprintf("%.1f\u00a0%%", math.Ceil(p/tenth-1e-9)/10)
}

// expanded is the expanded uncertainty of a budget, if there is one.
func expanded(b peak.Maybe[peak.Budget]) peak.Maybe[peak.Force] {
	if !b.Known {
		return peak.Maybe[peak.Force]{}
	}
	return peak.Known(b.Value.Expanded())
}

// uncertaintyPart is what the paper says of how certain its forces are.
type uncertaintyPart struct {
	Title   string
	Budgets table
	Rows    []row
}

// uncertainty is the budgets of all pulls and the risks that were taken with them; nil if
// the records are too old to tell.
func (c *Certificate) uncertainty() *uncertaintyPart {
	if !c.e.Budgeted {
		return nil
	}
	p := &uncertaintyPart{Title: "Uncertainty of the forces, in " + c.figures.smallUnit().String(), Budgets: table{
		Heads: []string{
			"Pull", "Force", "verification", "reference", "repeatability", "resolution", "zero shift", "noise", "between values", "combined",
			"U (k\u00a0=\u00a02)", "false acceptance",
		},
		Shares: []int{8, 10, 17, 15, 19, 15, 13, 10, 14, 15, 16, 18}, Code: -1, Small: true,
	}}
	var without []string
	for _, a := range c.e.Test.Attempts {
		rows := c.budgetRows(a.Ended)
		if len(rows) == 0 {
			without = append(without, fmt.Sprint(a.Ended.Pull))
		}
		p.Budgets.Rows = append(p.Budgets.Rows, rows...)
	}
	if len(p.Budgets.Rows) > 0 {
		p.Rows = append(p.Rows, row{Label: "False acceptance", Wide: true, Text: "the probability that a force which was accepted was really below " +
			"what was asked, or above the limit (JCGM 106:2012, 9.3.2); only for pulls that passed or need review"})
	}
	if len(without) > 0 {
		p.Rows = append(p.Rows, row{Label: "Not stated", Wide: true,
			Text: "for " + pullsText(without) + ": it needs a verification of these instruments, with this scale and in this range"})
	}
	return p
}

// budgetRows are the budgets of a pull's peak and held force, as far as they are known.
func (c *Certificate) budgetRows(e peak.PullEnded) [][]string {
	risk := decision.Risk{}
	if _, corrected := c.e.correctionOf(e.Pull); !corrected && (e.Verdict == peak.Pass || e.Verdict == peak.Review) {
		risk = decision.OfPull(e)
	}
	var out [][]string
	for _, f := range []struct {
		name   string
		budget peak.Maybe[peak.Budget]
		risk   peak.Maybe[float64]
	}{{"peak", e.PeakBudget, risk.Peak}, {"held", e.HeldBudget, risk.Held}} {
		if !f.budget.Known {
			continue
		}
		b := f.budget.Value
		cells := []string{fmt.Sprint(e.Pull), f.name}
		for _, u := range []peak.Force{
			b.Verification, b.Reference, b.Repeatability, b.Resolution, b.ZeroShift, b.Noise, b.Sampling, b.Combined(), b.Expanded(),
		} {
			cells = append(cells, c.figures.smallUnit().Number(u, 1))
		}
		out = append(out, append(cells, risked(f.risk)))
	}
	return out
}

func risked(p peak.Maybe[float64]) string {
	if !p.Known {
		return "–"
	}
	return probability(p.Value)
}

// heldForce is the highest force that was held for the required time.
func (c *Certificate) heldForce(e peak.PullEnded) string {
	switch {
	case e.Held.Known:
		return c.figures.measured(e.Held.Value, expanded(e.HeldBudget), levelsOf(e)...)
	case c.e.Budgeted:
		return "none for so long"
	}
	return notStated
}

// update is the time between two values of the indicator, found from the readings.
func (c *Certificate) update(e peak.PullEnded) string {
	switch {
	case e.Update.Known:
		return "a new value every " + period(e.Update.Value)
	case c.e.Budgeted:
		return "too few values seen"
	}
	return "new values: " + notStated
}
