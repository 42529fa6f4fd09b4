package peak

import "time"

// Requirement is what a pull must reach and what it must not exceed.
type Requirement struct {
	// Asked is the force the item must stand, before the guard.
	Asked Force
	// Guard raises the asked force, at least 0.
	Guard Ratio
	// Limit is the highest confirmed force allowed; unknown means no limit.
	Limit Maybe[Force]
	// LimitGuard lowers the limit, at least 0.
	LimitGuard Force
	// Rule is how uncertainty is taken into account; empty means by Guard alone.
	Rule DecisionRule
	// Hold is the time the required force must be held, at least 0.
	Hold time.Duration
}

// Required is the force that the hold is judged at: the asked force raised by
// the guard.
func (r Requirement) Required() Force { return r.Asked + r.Guard.Of(r.Asked) }

// Highest is the force that the limit is judged at: the limit lowered by its guard.
func (r Requirement) Highest() Maybe[Force] {
	if !r.Limit.Known {
		return r.Limit
	}
	return Known(r.Limit.Value - r.LimitGuard)
}

// DecisionRule says how the uncertainty of a force is taken into account when it
// is judged (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8).
type DecisionRule string

// The decision rules.
const (
	// SimpleAcceptance compares the force itself with the required force.
	SimpleAcceptance DecisionRule = "simple"
	// GuardedByPercentage raises the required force by a percentage.
	GuardedByPercentage DecisionRule = "guard"
	// GuardedByUncertainty raises the required force, and lowers the limit, by
	// the expanded uncertainty.
	GuardedByUncertainty DecisionRule = "uncertainty"
)

// Decision is the rule that the requirement is judged by.
func (r Requirement) Decision() DecisionRule {
	switch {
	case r.Rule != "":
		return r.Rule
	case r.Guard > 0:
		return GuardedByPercentage
	}
	return SimpleAcceptance
}

// Job is what the operator asks for: the item, what it must stand and which
// pulls that takes. Texts are a person's own words; the core only keeps them.
type Job struct {
	ID          string // letters, digits, - and _
	Item        string // the item's tag
	Description string
	Kind        string // such as "wire rope sling"
	WLL         Maybe[Force]
	Length      Maybe[Length]
	Legs        int // 0 when not said
	Owner       string
	Operator    string
	Rule        string // the rule's id; empty when the requirement is the operator's own
	Source      string // where the requirement comes from, in words
	Ambient     string // notes on the surroundings, such as the temperature
	Planned     []Planned
}

// Planned is one pull that a job needs.
type Planned struct {
	Label       string // such as "leg 2, end A"
	Requirement Requirement
}
