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
	// Hold is the time the required force must be held, at least 0.
	Hold time.Duration
}

// Required is the force that the hold is judged at: the asked force raised by
// the guard.
func (r Requirement) Required() Force { return r.Asked + r.Guard.Of(r.Asked) }

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
