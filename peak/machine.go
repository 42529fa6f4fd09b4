package peak

import (
	"slices"
	"time"
)

// Machine is the core. The zero value is not usable; see [New].
type Machine struct {
	set     Settings
	now     time.Duration
	confirm confirmer
	window  window
	zero    zeroKeeper
	before  before
	loss    lossWatch
	held    heldWatch
	test    test
	why     string // why the next pull is a repetition
	weigh   weigher
	session session

	cross crosscheck
	alarm alarmKeeper

	standing   standing
	zeroBefore Maybe[Force] // given for the next pull

	pull pull
	// pulling says that a pull is in hand, its zero after not yet taken.
	pulling bool
	verdict Verdict // of the last pull

	reading   Reading // the last one, good or bad
	seen      bool    // whether there was any
	goodAt    Maybe[time.Duration]
	net       Force
	confirmed Maybe[Force]
	pressure  pressureSeen

	events []Event
}

// New returns a core that goes on from start.
func New(s Settings, start Start) *Machine {
	return &Machine{
		set: s, now: start.At,
		confirm: confirmer{maxGap: s.Capture.MaxGap},
		window:  window{span: s.Zero.Settle},
		zero:    newZeroKeeper(s, start),
		loss:    lossWatch{within: s.Capture.SuddenLossWithin, part: s.Capture.SuddenLoss},
		pull:    pull{number: start.LastPull},
		reading: Reading{Quality: NotReady},
		test:    start.test.clone(),
		why:     start.why,
		weigh:   start.weigh,
		session: start.session.clone(),
		cross:   newCrosscheck(s),

		standing:   standing{verified: slices.Clone(verifications(start.Verified)), constant: start.Constant},
		zeroBefore: start.ZeroBefore,
	}
}

// Step takes the next input and returns what happened with it. Inputs come in
// the order of their times. The slice is reused by the next call.
func (m *Machine) Step(in Input) []Event {
	m.events = m.events[:0]
	m.now = max(m.now, in.when())
	switch in := in.(type) {
	case *Reading:
		m.read(in)
	case SetZero:
		m.setZero(in)
	case SetTare:
		m.setTare(in)
	case OpenJob:
		m.openJob(in)
	case CancelJob:
		m.cancelJob(in)
	case FinishJob:
		m.finishJob(in)
	case RepeatPull:
		m.repeatPull(in)
	case AssignPull:
		m.assignPull(in)
	case Inspect:
		m.inspect(in)
	case StartWeighing:
		m.startWeighing(in)
	case StopWeighing:
		m.stopWeighing(in)
	case Doubt:
		m.doubt(in.Reason)
	case Tick:
		m.watchAway()
	default:
		m.stepRecord(in)
	}
	return m.events
}

// stepRecord is Step for what is recorded beside pulls and jobs.
func (m *Machine) stepRecord(in Input) {
	switch in := in.(type) {
	case StartVerification:
		m.startSession(in)
	case TakePoint:
		m.takePoint(in)
	case DropPoint:
		m.dropPoint(in)
	case CancelVerification:
		m.cancelSession(in)
	case RecordVerification:
		m.recordVerification(in)
	case SetClock:
		m.setClock(in)
	case Constant:
		m.seeConstant(in)
	case CorrectPull:
		in.Corrected.At = in.At
		m.emit(in.Corrected)
	}
}

// Stop ends the stream: a pull in hand ends with it, as interrupted unless
// its end had been seen.
func (m *Machine) Stop() []Event {
	m.events = m.events[:0]
	if s, ok := m.confirm.flush(); ok {
		m.watch(s)
	}
	if m.pulling {
		m.endPull()
	}
	return m.events
}

// Snapshot returns a copy that goes on by itself.
func (m *Machine) Snapshot() *Machine {
	c := *m
	c.window = m.window.clone()
	c.loss.recent = extreme{m.loss.recent.clone()}
	c.held = m.held.clone()
	c.test = m.test.clone()
	c.session = m.session.clone()
	c.pull.doubts = slices.Clone(m.pull.doubts)
	c.events = nil
	return &c
}

func (m *Machine) emit(e Event) { m.events = append(m.events, e) }

// read takes a reading: a bad one is only remembered, a good one is counted
// once its successor confirms it.
func (m *Machine) read(r *Reading) {
	m.reading, m.seen = *r, true
	m.pressure.see(r)
	if m.cross.on {
		m.seeAway(r)
	}
	if r.Quality != Good {
		if r.Quality == OverRange || r.Quality == Stuck {
			m.doubt(ReadingNotTrusted)
		}
		m.watchAway()
		return
	}
	m.goodAt = Known(r.At)
	m.net = m.zero.net(r.Force)
	s := sample{at: r.At, indicated: r.Force, net: m.net, pressure: m.pressure.value(r.At), pressed: r.Pressure.Known}
	if s, ok := m.confirm.push(s); ok {
		m.watch(s)
	}
	m.watchAway()
}

// watch takes a reading whose confirmed force is settled through the stages.
func (m *Machine) watch(s sample) {
	m.confirmed = s.confirmed
	m.window.push(s)
	if (!m.pulling || m.pull.end.ended) && s.net <= m.set.Capture.EndBelow {
		m.before.see(&m.window, m.set.Zero.Motion)
	}
	switch {
	case m.weigh.on:
		if e, ok := m.weigh.see(s, &m.zero, &m.window, m.stable()); ok {
			m.emit(e)
		}
	case m.starts(s):
		m.startPull(s)
		m.watchPull(s)
	case m.pulling:
		m.watchPull(s)
	}
	if m.cross.on {
		m.checkForce(&s)
	}
	zero := m.zero.zero
	if e, ok := m.zero.follow(s, m.quiet(s)); ok {
		m.emit(e)
	}
	m.confirm.zeroMoved(m.zero.zero - zero)
}

// starts says that a pull begins with this reading. One that begins while the
// zero after the pull before is still awaited ends that wait.
func (m *Machine) starts(s sample) bool {
	if !s.confirmed.Known || s.confirmed.Value < m.set.Capture.StartAbove {
		return false
	}
	if m.pulling && m.pull.end.ended {
		m.endPull()
	}
	return !m.pulling
}

func (m *Machine) startPull(s sample) {
	m.pulling = true
	p := pull{
		number: m.pull.number + 1, requirement: m.set.Standing, startedAt: s.at,
		zeroBefore: m.before.net(&m.zero), highest: s.net,
	}
	if m.zeroBefore.Known {
		p.zeroBefore, m.zeroBefore = m.zeroBefore, Maybe[Force]{}
	}
	if planned, ok := m.test.next(); ok {
		p.job, p.label, p.requirement = m.test.job.ID, planned.Label, Known(planned.Requirement)
	}
	p.hold = newHolder(p.requirement)
	m.pull = p
	if m.flatAlarm() { // what came before was not seen
		m.doubt(ReadingNotTrusted)
	}
	m.before = before{}
	m.loss.recent.clear()
	m.held.begin(p.requirement)
	m.emit(PullStarted{
		Pull: p.number, StartedAt: s.at, ZeroBefore: p.zeroBefore,
		Zero: m.zero.zero, Tare: m.zero.tare, Requirement: p.requirement, Job: p.job, Label: p.label,
	})
}

func (m *Machine) watchPull(s sample) {
	p := &m.pull
	if p.end.ended { // only the zero after is still awaited
		p.after.see(s, &m.window, m.set.Zero)
	} else {
		m.watchLoad(s)
	}
	if p.end.ended && p.after.ready(s.at, m.set.Zero) {
		m.endPull()
	}
}

func (m *Machine) watchLoad(s sample) {
	p := &m.pull
	reached := p.see(s, m.set.Capture)
	if p.requirement.Known {
		m.held.see(s)
	}
	// A force that was not true until now loses nothing when it becomes so.
	if p.peak.Known && !m.flatAlarm() {
		p.seeLoss(m.loss.see(s, p.peak.Value), s.at)
	}
	if reached {
		m.emit(HoldReached{Pull: p.number, ReachedAt: s.at, Hold: p.hold.longest.For})
	}
	if p.end.low {
		p.after.see(s, &m.window, m.set.Zero)
	}
}

func (m *Machine) endPull() {
	p := &m.pull
	e := PullEnded{
		Pull: p.number, StartedAt: p.startedAt, DecidedAt: m.now,
		Peak: p.peak, PeakAt: p.peakAt, Highest: p.highest, Requirement: p.requirement,
		Hold: p.hold.longest, LongestGap: p.longestGap, PressureAtPeak: p.pressureAtPeak,
		ZeroBefore: p.zeroBefore, Zero: m.zero.zero, Tare: m.zero.tare, Job: p.job, Label: p.label,
	}
	if p.end.ended {
		e.EndedAt, e.ZeroAfter = Known(p.end.from), p.after.net(&m.zero)
	}
	if p.requirement.Known {
		e.Held = m.held.best
	}
	e.PressureRatio = m.ratioAtPeak(&e)
	m.doubtUnverified(p)
	m.uncertainties(p, &e)
	e.Verdict, e.Reasons = judge(p, e, m.set.Zero.ShiftLimit)
	m.pulling, m.verdict = false, e.Verdict
	m.emit(e)
	if e.Job != "" && e.Job == m.test.job.ID {
		m.count(e, TestEnded{At: e.DecidedAt})
	}
}

// quiet says that everything is quiet but the force itself, which the zero
// keeper judges.
func (m *Machine) quiet(s sample) bool {
	return !m.pulling && m.stable() && !m.pressure.pressurised(s.at, m.set.Zero.PressurisedAbove)
}

func (m *Machine) stable() bool {
	return m.window.whole() && m.window.spread() <= m.set.Zero.Motion
}

func (m *Machine) doubt(r Reason) {
	if m.pulling {
		m.pull.doubt(r)
	}
}
