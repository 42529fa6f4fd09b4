package peak

import (
	"slices"
	"time"
)

// Phase says in one word what the bench is doing.
type Phase string

// The phases.
const (
	PhaseNotReady Phase = "not-ready" // no fresh, good force
	PhaseAtRest   Phase = "at-rest"
	PhasePulling  Phase = "pulling" // a pull is on, below the required force
	PhaseHolding  Phase = "holding" // at or above the required force
	PhaseWeighing Phase = "weighing"
)

// State is what the core knows now. It is a copy: the core does not change it
// afterwards.
type State struct {
	// At is the time of the last input.
	At time.Duration
	// TakenAt is the time of the last reading, good or bad.
	TakenAt time.Duration
	// Quality is that of the last reading. NotReady before the first.
	Quality Quality
	Phase   Phase
	// Net is the last good reading less zero and tare; unknown while the
	// last reading is bad or too old.
	Net      Maybe[Force]
	Pressure Maybe[Pressure]
	Zero     Force
	Tare     Force
	// Stable says that the force spread no more than motion over settle.
	Stable bool
	// Tracking says that zero tracking may move the zero now.
	Tracking bool
	// Pull is the number of the pull on show: the one in hand, else the last
	// one; 0 before the first.
	Pull        int64
	InPull      bool
	Peak        Maybe[Force]
	Highest     Maybe[Force]
	Requirement Maybe[Requirement]
	// Hold is the longest hold of the pull on show, HoldNow the running one.
	Hold, HoldNow time.Duration
	Verdict       Verdict // of the last pull; empty before the first and during a pull
	Job           Maybe[OpenTest]
	// Weighing is known while the load cell hangs on a crane hook.
	Weighing Maybe[Weighing]
	// Verified are the verifications that count, Session the one in hand.
	Verified []Verification
	Session  Maybe[Session]
	// Alarm is what a person must know now. While one is on, no force is shown.
	Alarm    Maybe[AlarmRaised]
	Constant Maybe[int64] // the indicator's calibration constant
}

// Weighing is what is known of the weighing that is on.
type Weighing struct {
	Item   string
	Lifts  int64
	Lifted bool // an item is on the hook
	// Settled is the net weight of the item on the hook; unknown until it has
	// settled.
	Settled Maybe[Force]
}

// OpenTest is the job in hand.
type OpenTest struct {
	Job Job
	// Next is the planned pull that the next pull will be; unknown when all
	// were made and a person must repeat one or finish.
	Next    Maybe[int]
	Made    []Attempt
	Verdict Verdict // so far
}

// State returns what the core knows now.
func (m *Machine) State() State {
	s := State{
		At: m.now, TakenAt: m.reading.At, Quality: m.reading.Quality, Phase: m.phase(),
		Pressure: m.pressure.value(m.now), Zero: m.zero.zero, Tare: m.zero.tare,
		Stable: m.fresh() && m.stable(), Tracking: m.fresh() && m.zero.tracking,
		Pull: m.pull.number, InPull: m.pulling, Peak: m.pull.peak, Requirement: m.requirement(),
		Hold: m.pull.hold.longest.For, HoldNow: m.pull.hold.now(), Job: m.openTest(), Weighing: m.weighing(),
		Verified: slices.Clip(m.standing.verified), Session: m.sessionNow(), Alarm: m.alarm.now, Constant: m.standing.constant,
	}
	if m.reading.Quality == Good && m.fresh() {
		s.Net = Known(m.net)
	}
	if m.flatAlarm() && s.Quality == Good {
		s.Quality = Stuck
	}
	if m.pull.peak.Known {
		s.Highest = Known(m.pull.highest)
	}
	if !m.pulling {
		s.Verdict, s.HoldNow = m.verdict, 0
	}
	return s
}

func (m *Machine) phase() Phase {
	switch {
	case !m.fresh():
		return PhaseNotReady
	case m.weigh.on:
		return PhaseWeighing
	case !m.pulling || m.pull.end.ended:
		return PhaseAtRest
	case m.pull.hold.running:
		return PhaseHolding
	}
	return PhasePulling
}

// requirement is what the pull in hand, or else the next one, is judged by.
func (m *Machine) requirement() Maybe[Requirement] {
	if m.pulling {
		return m.pull.requirement
	}
	if next, ok := m.test.next(); ok {
		return Known(next.Requirement)
	}
	return m.set.Standing
}

func (m *Machine) openTest() Maybe[OpenTest] {
	t := &m.test
	if !t.open {
		return Maybe[OpenTest]{}
	}
	o := OpenTest{Job: t.job, Made: slices.Clip(t.made), Verdict: t.verdict()}
	if len(t.todo) > 0 {
		o.Next = Known(t.todo[0])
	}
	return Known(o)
}

func (m *Machine) weighing() Maybe[Weighing] {
	w := &m.weigh
	if !w.on {
		return Maybe[Weighing]{}
	}
	out := Weighing{Item: w.item, Lifts: w.lifts, Lifted: w.lifted}
	if w.best.n > 0 {
		out.Settled = Known(m.zero.net(meanOf(w.best.sum, w.best.n)))
	}
	return Known(out)
}
