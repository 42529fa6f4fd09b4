package peak

import (
	"errors"
	"time"
)

// Settings are the levels and times that the core works by.
type Settings struct {
	// Capacity is the bench's rated force, Division the indicator's step.
	Capacity, Division Force
	// Ranges are the measuring ranges of the indicator, the finest first; none
	// when it has only one.
	Ranges []Range
	// Serial identifies load cell and indicator, Scale how a raw signal is made
	// a force; a verification of another one does not count.
	Serial, Scale string
	Capture       Capture
	Zero          Zeroing
	// Cylinder is what force and pressure are compared by; unknown turns that off.
	Cylinder Maybe[Cylinder]
	// Standing is what every pull without a job is judged by; unknown leaves
	// such pulls unassigned.
	Standing Maybe[Requirement]
}

// Capture says when a pull starts and ends and what is remarkable in it.
type Capture struct {
	// StartAbove is the confirmed net force that starts a pull.
	StartAbove Force
	// EndBelow ends a pull when the confirmed net force stays at or below it
	// for EndAfter. It must be below StartAbove.
	EndBelow Force
	EndAfter time.Duration
	// MaxGap is the longest time between two neighbouring good readings that
	// still counts as having watched.
	MaxGap time.Duration
	// SuddenLoss of the pull's peak so far within SuddenLossWithin is a sudden
	// loss of load.
	SuddenLoss       Ratio
	SuddenLossWithin time.Duration
}

// Zeroing says how zero is kept.
type Zeroing struct {
	// TrackWithin is the highest gross force that tracking takes for no load;
	// 0 turns tracking off.
	TrackWithin Force
	// Rate is the most that tracking moves zero, per second.
	Rate Force
	// Range is how far zero may be from the zero set last by a person or at
	// start.
	Range Force
	// Motion is the greatest spread over Settle that counts as stable.
	Motion Force
	Settle time.Duration
	// ShiftLimit is the greatest zero shift of a pull that counts.
	ShiftLimit Force
	// PressurisedAbove is the pressure from which the bench counts as
	// pressurised.
	PressurisedAbove Pressure
}

// Start is what the core goes on from.
type Start struct {
	At         time.Duration
	LastPull   int64 // number of the last pull, 0 for none
	Zero, Tare Force
	// Verified are the verifications that count, at most one for each range.
	Verified []Verification
	// Constant is the indicator's calibration constant.
	Constant Maybe[int64]
	// ZeroBefore is the zero before the next pull, for a stream that begins
	// later than that was seen.
	ZeroBefore Maybe[Force]

	test    test
	why     string
	weigh   weigher
	session session
}

// Follow takes a recorded event, so that the core goes on from where it left off.
// Events come in the order of their records.
func (s *Start) Follow(e Event) {
	switch e := e.(type) {
	case PullStarted:
		s.LastPull, s.Zero, s.Tare = e.Pull, e.Zero, e.Tare
	case ZeroSet:
		s.Zero = e.New
	case TareSet:
		s.Tare = e.New
	case JobOpened:
		s.test = newTest(e.Job)
	case PullRepeated:
		if s.test.open {
			s.test.repeat(e.Planned)
			s.why = e.Why
		}
	case PullEnded:
		s.count(e)
	case PullAssigned:
		s.count(e.Ended)
	case JobCancelled, TestEnded:
		s.test = test{}
	case WeighingStarted:
		s.weigh = weigher{on: true, item: e.Item}
	case ItemWeighed:
		s.weigh.lifts = e.Lift
	case WeighingStopped:
		s.weigh = weigher{}
	case ForceVerified:
		s.Verified = verifications(s.Verified).keep(e.Verification)
	}
	s.session.follow(e)
}

func (s *Start) count(e PullEnded) {
	if s.test.open && e.Job == s.test.job.ID && len(s.test.todo) > 0 {
		s.test.add(e, s.why)
		s.why = ""
	}
}

// Errors of a requirement that no pull could be judged by.
var (
	ErrRequiredTooLow = errors.New("the required force must be at least the level that starts a pull")
	ErrLimitTooLow    = errors.New("the limit must not be below the required force")
	ErrHoldNegative   = errors.New("the hold must not be negative")
	ErrGuardNegative  = errors.New("the guard must not be negative")
	ErrAboveCapacity  = errors.New("the required force is above the bench's capacity")
)

// Check says whether pulls captured with these settings can be judged by r.
func (s Settings) Check(r Requirement) error {
	required := r.Required()
	switch {
	case r.Guard < 0:
		return ErrGuardNegative
	case r.Hold < 0:
		return ErrHoldNegative
	case required < s.Capture.StartAbove:
		return ErrRequiredTooLow
	case required > s.Capacity:
		return ErrAboveCapacity
	case r.Limit.Known && r.Highest().Value < required:
		return ErrLimitTooLow
	}
	return nil
}
