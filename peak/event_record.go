package peak

import "time"

// VerificationStarted says that the force readings of a range are being compared
// with a reference standard.
type VerificationStarted struct {
	At       time.Duration
	Range    string
	Standard Standard
	By       string
}

// PointTaken is one comparison of a verification.
type PointTaken struct {
	Point
	By string
}

// PointDropped takes the last comparison back.
type PointDropped struct {
	At      time.Duration
	Point   Point
	Why, By string
}

// VerificationCancelled says that a verification will have no result.
type VerificationCancelled struct {
	At      time.Duration
	Why, By string
}

// ForceVerified says that the force readings of a range were compared with a
// reference standard: pulls from now on are judged by it.
type ForceVerified struct {
	At           time.Duration
	Verification Verification
	Points       []Point
}

// ClockStepped says that the wall clock was set. Durations never follow it.
type ClockStepped struct {
	At time.Duration
	By time.Duration // later when above 0
}

// Change is one parameter that touches a figure, before and after.
type Change struct {
	Name     string
	Old, New Maybe[string] // unknown when there was none, or is none any more
}

// ParametersChanged says which parameters that touch a figure are other than they
// were recorded last.
type ParametersChanged struct {
	At      time.Duration
	Changes []Change
	// Count is how many changes were recorded so far, these too; the first
	// recording of a parameter is no change.
	Count int64
	By    string
}

// PullCorrected says that an ended pull was judged again from its raw signal with
// the right scale. The first judgement stays on record.
type PullCorrected struct {
	At       time.Duration
	Old, New PullEnded
	Scale    string // the right one
	Why, By  string
}

// BrokerRepaired says that the broker's copy of the records was damaged and has
// been made whole again from the journal.
type BrokerRepaired struct {
	At time.Duration
	// LostFrom and LostTo are the lowest and the highest number of a record that
	// the broker had lost; both 0 when the damage cost none.
	LostFrom, LostTo uint64
	// Restored is how many records it was given again.
	Restored uint64
	Why      string // what was found
}

func (VerificationStarted) Type() string   { return TypeVerificationStarted }
func (PointTaken) Type() string            { return TypePointTaken }
func (PointDropped) Type() string          { return TypePointDropped }
func (VerificationCancelled) Type() string { return TypeVerificationCancelled }
func (ForceVerified) Type() string         { return TypeForceVerified }
func (ClockStepped) Type() string          { return TypeClockStepped }
func (ParametersChanged) Type() string     { return TypeParametersChanged }
func (PullCorrected) Type() string         { return TypePullCorrected }
func (BrokerRepaired) Type() string        { return TypeBrokerRepaired }

func (e VerificationStarted) When() time.Duration   { return e.At }
func (e PointTaken) When() time.Duration            { return e.At }
func (e PointDropped) When() time.Duration          { return e.At }
func (e VerificationCancelled) When() time.Duration { return e.At }
func (e ForceVerified) When() time.Duration         { return e.At }
func (e ClockStepped) When() time.Duration          { return e.At }
func (e ParametersChanged) When() time.Duration     { return e.At }
func (e PullCorrected) When() time.Duration         { return e.At }
func (e BrokerRepaired) When() time.Duration        { return e.At }
