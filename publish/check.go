package publish

// CheckState says how one thing stands that must be in order before a pull
// counts.
type CheckState string

// The states of a check, from best to worst.
const (
	InOrder    CheckState = "in-order"
	Attention  CheckState = "attention" // it counts, but something is due or odd
	Waiting    CheckState = "waiting"   // cannot be told before another check is in order
	NotInOrder CheckState = "not-in-order"
)

// Check is one line of the readiness list.
type Check struct {
	Name   string     `json:"check"` // such as "zero"
	Title  string     `json:"title"` // for people
	State  CheckState `json:"state"`
	Figure string     `json:"figure"` // with its unit, as people see it; empty when there is none
	Why    string     `json:"why"`    // the reason and what to do; empty when in order
}

// Ready says that nothing in the list keeps a pull from counting.
func Ready(checks []Check) bool {
	for _, c := range checks {
		if c.State == NotInOrder || c.State == Waiting {
			return false
		}
	}
	return true
}
