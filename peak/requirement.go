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

// Job is what the operator asks for: the item, its requirement and how many
// pulls it needs.
type Job struct {
	ID          string
	Item        string // the item's tag
	Description string
	Requirement Requirement
	Planned     int // pulls, at least 1
	Operator    string
}
