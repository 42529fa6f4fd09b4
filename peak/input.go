package peak

import "time"

// Input is one thing that happened: a [*Reading], a [Tick] or a command.
type Input interface{ when() time.Duration }

// Tick says that time has passed, so that a force too old to trust is no
// longer shown.
type Tick struct{ At time.Duration }

// SetZero asks to make the force indicated now the zero. It needs a stable
// force, no pull, and a new zero within the range.
type SetZero struct {
	At time.Duration
	By string // who asks
}

// SetTare asks for a new tare: the given force, or the gross force now, which
// must then be stable. It is refused during a test.
type SetTare struct {
	At    time.Duration
	By    string
	Force Maybe[Force]
}

// OpenJob asks that the pulls to come belong to a job.
type OpenJob struct {
	At  time.Duration
	By  string
	Job Job
}

// Doubt reports something outside the readings that speaks against the pull
// in hand, such as [ClockStep] or [ConstantChanged].
type Doubt struct {
	At     time.Duration
	Reason Reason
}

func (r *Reading) when() time.Duration { return r.At }
func (t Tick) when() time.Duration     { return t.At }
func (c SetZero) when() time.Duration  { return c.At }
func (c SetTare) when() time.Duration  { return c.At }
func (c OpenJob) when() time.Duration  { return c.At }
func (d Doubt) when() time.Duration    { return d.At }
