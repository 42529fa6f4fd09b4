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

// CancelJob gives the open job up.
type CancelJob struct {
	At      time.Duration
	By, Why string
}

// FinishJob ends the open job with what was reached.
type FinishJob struct {
	At time.Duration
	By string
}

// RepeatPull asks that the planned pull made last be made again.
type RepeatPull struct {
	At      time.Duration
	By, Why string
}

// AssignPull counts a pull that had no job as the next planned pull of the open
// one. Ended is what it came to when judged by that pull's requirement.
type AssignPull struct {
	At    time.Duration
	By    string
	Ended PullEnded
}

// Inspect records what a person found at an item after its test.
type Inspect struct {
	At      time.Duration
	Finding ItemInspected
}

// StartWeighing turns from pulls to weighing. It needs no pull in hand and no
// open job.
type StartWeighing struct {
	At   time.Duration
	By   string
	Item string // the tag that the lifts belong to; may be empty
}

// StopWeighing turns back to pulls. The hook must be empty.
type StopWeighing struct {
	At time.Duration
	By string
}

// Doubt reports something outside the readings that speaks against the pull
// in hand, such as [ClockStep] or [ConstantChanged].
type Doubt struct {
	At     time.Duration
	Reason Reason
}

// StartVerification begins to compare the force readings of a range with a
// reference standard. It needs no pull in hand, no open job and no weighing.
type StartVerification struct {
	At       time.Duration
	By       string
	Range    string
	Standard Standard
}

// TakePoint takes the mean of the stable force now for the reference's force; 0 is
// the zero return that ends a run.
type TakePoint struct {
	At      time.Duration
	By      string
	Applied Force
}

// DropPoint takes the last point back.
type DropPoint struct {
	At      time.Duration
	By, Why string
}

// CancelVerification gives the verification in hand up.
type CancelVerification struct {
	At      time.Duration
	By, Why string
}

// RecordVerification makes the result of a verification count. Points are what it
// was found from.
type RecordVerification struct {
	At           time.Duration
	Verification Verification
	Points       []Point
}

// SetClock says that the wall clock was set; later when By is above 0.
type SetClock struct{ At, By time.Duration }

// Constant says what the indicator's calibration constant is.
type Constant struct {
	At    time.Duration
	Value int64
}

// CorrectPull records what an ended pull comes to with the right scale.
type CorrectPull struct {
	At        time.Duration
	Corrected PullCorrected
}

func (r *Reading) when() time.Duration      { return r.At }
func (t Tick) when() time.Duration          { return t.At }
func (c SetZero) when() time.Duration       { return c.At }
func (c SetTare) when() time.Duration       { return c.At }
func (c OpenJob) when() time.Duration       { return c.At }
func (c CancelJob) when() time.Duration     { return c.At }
func (c FinishJob) when() time.Duration     { return c.At }
func (c RepeatPull) when() time.Duration    { return c.At }
func (c AssignPull) when() time.Duration    { return c.At }
func (c Inspect) when() time.Duration       { return c.At }
func (c StartWeighing) when() time.Duration { return c.At }
func (c StopWeighing) when() time.Duration  { return c.At }
func (d Doubt) when() time.Duration         { return d.At }

func (c StartVerification) when() time.Duration  { return c.At }
func (c TakePoint) when() time.Duration          { return c.At }
func (c DropPoint) when() time.Duration          { return c.At }
func (c CancelVerification) when() time.Duration { return c.At }
func (c RecordVerification) when() time.Duration { return c.At }
func (c SetClock) when() time.Duration           { return c.At }
func (c Constant) when() time.Duration           { return c.At }
func (c CorrectPull) when() time.Duration        { return c.At }
