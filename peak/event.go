package peak

import "time"

// Event is something that happened, decided by the core or reported to it.
type Event interface {
	// Type is the event's CloudEvents type.
	Type() string
	// When is the moment it happened, since the stream began.
	When() time.Duration
}

// The types of the durable events.
const (
	TypePullStarted     = "thimbled.pull.started"
	TypePullEnded       = "thimbled.pull.ended"
	TypeHoldReached     = "thimbled.hold.reached"
	TypeZeroSet         = "thimbled.zero.set"
	TypeTareSet         = "thimbled.tare.set"
	TypeJobOpened       = "thimbled.job.opened"
	TypeTestEnded       = "thimbled.test.ended"
	TypeJobCancelled    = "thimbled.job.cancelled"
	TypePullRepeated    = "thimbled.pull.repeated"
	TypePullAssigned    = "thimbled.pull.assigned"
	TypeItemInspected   = "thimbled.item.inspected"
	TypeWeighingStarted = "thimbled.weighing.started"
	TypeWeighingStopped = "thimbled.weighing.stopped"
	TypeItemWeighed     = "thimbled.item.weighed"
	TypeInstrumentLost  = "thimbled.instrument.lost"
	TypeInstrumentFound = "thimbled.instrument.found"
	TypeForceVerified   = "thimbled.force.verified"
	TypeDaemonStarted   = "thimbled.daemon.started"
	TypeDaemonStopped   = "thimbled.daemon.stopped"
	TypeCommandRefused  = "thimbled.command.refused"
	TypeJournalSealed   = "thimbled.journal.sealed"

	TypeVerificationStarted   = "thimbled.verification.started"
	TypePointTaken            = "thimbled.verification.point"
	TypePointDropped          = "thimbled.verification.dropped"
	TypeVerificationCancelled = "thimbled.verification.cancelled"
	TypeClockStepped          = "thimbled.clock.stepped"
	TypeParametersChanged     = "thimbled.parameters.changed"
	TypePullCorrected         = "thimbled.pull.corrected"
	TypeBrokerRepaired        = "thimbled.broker.repaired"
)

// PullStarted says that the confirmed force reached the start level.
type PullStarted struct {
	Pull int64
	// StartedAt is the time of the first reading of the pull.
	StartedAt time.Duration
	// ZeroBefore is the mean net force of the last settling time before the
	// force began to rise; unknown when nothing was seen at rest.
	ZeroBefore Maybe[Force]
	// Zero and Tare are the offsets in force during the pull.
	Zero, Tare Force
	// Required, Limit and Hold are what the pull is judged by, if anything.
	Requirement Maybe[Requirement]
	// Job is the job the pull belongs to, Label its planned pull; empty if none.
	Job, Label string
}

// HoldReached says that the required force was held for the required time.
type HoldReached struct {
	Pull      int64
	ReachedAt time.Duration
	Hold      time.Duration
}

// PullEnded carries everything that was found out about one pull.
type PullEnded struct {
	Pull        int64
	StartedAt   time.Duration
	EndedAt     Maybe[time.Duration] // unknown when the stream stopped first
	DecidedAt   time.Duration        // when the last evidence came in
	Peak        Maybe[Force]         // highest confirmed force
	PeakAt      time.Duration
	Highest     Force // highest good reading, confirmed or not
	Requirement Maybe[Requirement]
	Hold        Hold
	// Held is the highest force that was held for the required time without a
	// break; unknown when nothing was required or watched for so long.
	Held       Maybe[Force]
	LongestGap time.Duration // zero when there was no gap
	// PressureAtPeak is the pressure known at the peak.
	PressureAtPeak Maybe[Pressure]
	// PressureRatio is the gross peak as a part of that pressure times the area it acts
	// on; it drifts as seals and guides wear.
	PressureRatio         Maybe[Ratio]
	ZeroBefore, ZeroAfter Maybe[Force]
	Zero, Tare            Force
	// PeakBudget and HeldBudget are the uncertainty budgets of the peak and of the
	// held force; unknown without a verification of the instrument.
	PeakBudget, HeldBudget Maybe[Budget]
	// Update is the time between two values of the indicator, found from the
	// readings; unknown when too few were seen.
	Update     Maybe[time.Duration]
	Verdict    Verdict
	Reasons    []Reason
	Job, Label string
}

// ZeroShift is the zero after less the zero before the pull.
func (e PullEnded) ZeroShift() Maybe[Force] {
	if !e.ZeroBefore.Known || !e.ZeroAfter.Known {
		return Maybe[Force]{}
	}
	return Known(e.ZeroAfter.Value - e.ZeroBefore.Value)
}

// Hold is the longest unbroken time at or above the required force.
type Hold struct {
	For      time.Duration
	From, To Maybe[time.Duration] // unknown when the required force was never confirmed
}

// ZeroSet says that the zero moved: by a person's command, at start, or by
// tracking (reported once per division, not per step).
type ZeroSet struct {
	At       time.Duration
	Old, New Force
	By       string
}

// TareSet says that the tare changed.
type TareSet struct {
	At       time.Duration
	Old, New Force
	By       string
}

// JobOpened says that the pulls to come belong to a job.
type JobOpened struct {
	At  time.Duration
	Job Job
	By  string
}

// JobCancelled says that a job will have no result. Pulls that were made for
// it stay on record.
type JobCancelled struct {
	At  time.Duration
	Job string
	Why string
	By  string
}

// PullRepeated says that a planned pull will be made again, and why.
type PullRepeated struct {
	At      time.Duration
	Job     string
	Planned int
	Label   string
	Why     string
	By      string
}

// PullAssigned says that a pull made without a job counts for one after all:
// judged again from its trace, by the job's requirement.
type PullAssigned struct {
	At      time.Duration
	Planned int
	Label   string
	Ended   PullEnded
	By      string
}

// TestEnded carries the whole result of a job.
type TestEnded struct {
	At       time.Duration
	Job      Job
	Verdict  Verdict
	Reasons  []Reason
	Attempts []Attempt
	By       string // who finished it; empty when its last pull did
}

// ItemInspected is what a person found who looked at the item after its test.
type ItemInspected struct {
	At        time.Duration
	Job       string
	Item      string
	Inspector string
	Accepted  bool
	Examined  string // what was looked at
	Notes     string
	By        string // who entered it
}

// WeighingStarted says that the load cell hangs on a crane hook now: what it
// feels is weighed, and nothing is taken for a pull.
type WeighingStarted struct {
	At   time.Duration
	Item string // the tag that the lifts belong to; may be empty
	By   string
}

// WeighingStopped says that pulls are captured again.
type WeighingStopped struct {
	At    time.Duration
	Lifts int64
	By    string
}

// ItemWeighed is the weight of one lift, told once the hook is empty again: the
// mean of the longest stretch of the lift in which the force was stable.
type ItemWeighed struct {
	At               time.Duration
	Lift             int64 // from 1 since the weighing was started
	Item             string
	Gross, Tare, Net Force
	Spread           Force // greatest less least reading of the stretch
	StableFrom       time.Duration
	StableFor        time.Duration
}

// InstrumentLost says that an instrument no longer gives good readings.
type InstrumentLost struct {
	At         time.Duration
	Instrument string
	Why        string
	Since      time.Duration // the last good reading, or the start
}

// InstrumentFound says that good readings are back.
type InstrumentFound struct {
	At         time.Duration
	Instrument string
	Since      time.Duration // when it had been lost
}

// DaemonStarted opens a run of the daemon.
type DaemonStarted struct {
	At           time.Duration
	Version      string
	ConfigDigest string
	CleanBefore  bool // the run before ended with a DaemonStopped
}

// DaemonStopped closes a run of the daemon.
type DaemonStopped struct {
	At    time.Duration
	Clean bool
	Why   string
}

// CommandRefused answers a command that changed nothing. It is a reply, not
// a durable event.
type CommandRefused struct {
	At      time.Duration
	Command string
	Why     string
}

// JournalSealed carries a signed statement of what the journal's first records are.
type JournalSealed struct {
	At         time.Duration
	Size       int64  // how many records, from the first
	Root       string // of the tree over their lines, in base64
	Checkpoint string // the signed note
	Key        string // the verifier key of its signature
	Why        string // the occasion, such as "test-ended" or "daily"
}

func (PullStarted) Type() string     { return TypePullStarted }
func (PullEnded) Type() string       { return TypePullEnded }
func (HoldReached) Type() string     { return TypeHoldReached }
func (ZeroSet) Type() string         { return TypeZeroSet }
func (TareSet) Type() string         { return TypeTareSet }
func (JobOpened) Type() string       { return TypeJobOpened }
func (JobCancelled) Type() string    { return TypeJobCancelled }
func (PullRepeated) Type() string    { return TypePullRepeated }
func (PullAssigned) Type() string    { return TypePullAssigned }
func (TestEnded) Type() string       { return TypeTestEnded }
func (ItemInspected) Type() string   { return TypeItemInspected }
func (WeighingStarted) Type() string { return TypeWeighingStarted }
func (WeighingStopped) Type() string { return TypeWeighingStopped }
func (ItemWeighed) Type() string     { return TypeItemWeighed }
func (InstrumentLost) Type() string  { return TypeInstrumentLost }
func (InstrumentFound) Type() string { return TypeInstrumentFound }
func (DaemonStarted) Type() string   { return TypeDaemonStarted }
func (DaemonStopped) Type() string   { return TypeDaemonStopped }
func (CommandRefused) Type() string  { return TypeCommandRefused }
func (JournalSealed) Type() string   { return TypeJournalSealed }

func (e PullStarted) When() time.Duration     { return e.StartedAt }
func (e PullEnded) When() time.Duration       { return e.DecidedAt }
func (e HoldReached) When() time.Duration     { return e.ReachedAt }
func (e ZeroSet) When() time.Duration         { return e.At }
func (e TareSet) When() time.Duration         { return e.At }
func (e JobOpened) When() time.Duration       { return e.At }
func (e JobCancelled) When() time.Duration    { return e.At }
func (e PullRepeated) When() time.Duration    { return e.At }
func (e PullAssigned) When() time.Duration    { return e.At }
func (e TestEnded) When() time.Duration       { return e.At }
func (e ItemInspected) When() time.Duration   { return e.At }
func (e WeighingStarted) When() time.Duration { return e.At }
func (e WeighingStopped) When() time.Duration { return e.At }
func (e ItemWeighed) When() time.Duration     { return e.At }
func (e InstrumentLost) When() time.Duration  { return e.At }
func (e InstrumentFound) When() time.Duration { return e.At }
func (e DaemonStarted) When() time.Duration   { return e.At }
func (e DaemonStopped) When() time.Duration   { return e.At }
func (e CommandRefused) When() time.Duration  { return e.At }
func (e JournalSealed) When() time.Duration   { return e.At }
