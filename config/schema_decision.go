package config

import (
	"fmt"

	"thimbled/peak"
)

// Decision is how uncertainty is taken into account where a job does not say.
type Decision struct {
	Rule  peak.DecisionRule
	Guard peak.Ratio // with the rule guard; else 0
}

var decisionKeys = []key{
	{name: "rule", fallback: text(string(peak.SimpleAcceptance)),
		doc: "How the uncertainty of a force counts when it is judged: not at all (simple), by raising the required force by a percentage (guard), or by raising it and lowering the limit by the expanded uncertainty (uncertainty).",
		field: choice(func(d *draft, r peak.DecisionRule) { d.cfg.Decision.Rule = r },
			peak.SimpleAcceptance, peak.GuardedByPercentage, peak.GuardedByUncertainty)},
	{name: "guard", needed: guarded, unfit: unguarded, example: `"1 %"`,
		doc: "How much the rule guard raises the required force.",
		field: quantity(peak.ParseRatio, "1 %", "0.0001 %", "100 %",
			func(d *draft, r peak.Ratio) { d.cfg.Decision.Guard = r })},
}

func guarded(d *draft) bool { return d.cfg.Decision.Rule == peak.GuardedByPercentage }

func unguarded(d *draft) string {
	if guarded(d) || d.here.bad["rule"] {
		return ""
	}
	return fmt.Sprintf("has no meaning with the rule %q: leave it out, or write rule = %q", d.cfg.Decision.Rule, peak.GuardedByPercentage)
}

func (c *Config) describeDecision() string {
	switch c.Decision.Rule {
	case peak.GuardedByPercentage:
		return fmt.Sprintf("Unless a job says otherwise the required force is raised by a guard of %v.", c.Decision.Guard)
	case peak.GuardedByUncertainty:
		return "Unless a job says otherwise the required force is raised, and the limit lowered, by the expanded uncertainty."
	}
	return "Unless a job says otherwise forces are judged as they are measured, by simple acceptance."
}
