package peak

import "time"

// Alarm is something that a person must know at once.
type Alarm string

// The alarms.
const (
	// ForceFlat says that the force does not go where the pressure goes: the load cell
	// is unplugged, the load path is elsewhere, or the value is frozen.
	ForceFlat Alarm = "force-flat"
	// ForceLost says that there is no good force reading while the bench is under
	// pressure.
	ForceLost Alarm = "force-lost"
)

// Alarms returns every alarm there is.
func Alarms() []Alarm { return []Alarm{ForceFlat, ForceLost} }

// The types of the alarm's events.
const (
	TypeAlarmRaised  = "thimbled.alarm.raised"
	TypeAlarmCleared = "thimbled.alarm.cleared"
)

// AlarmRaised says that an alarm is on.
type AlarmRaised struct {
	At    time.Duration
	Alarm Alarm
	Why   string
	// Since is the last moment at which all was well.
	Since time.Duration
}

// AlarmCleared says that the cause of an alarm is gone.
type AlarmCleared struct {
	At    time.Duration
	Alarm Alarm
	Since time.Duration // when it was raised
}

// Type implements [Event].
func (AlarmRaised) Type() string { return TypeAlarmRaised }

// When implements [Event].
func (e AlarmRaised) When() time.Duration { return e.At }

// Type implements [Event].
func (AlarmCleared) Type() string { return TypeAlarmCleared }

// When implements [Event].
func (e AlarmCleared) When() time.Duration { return e.At }

const (
	// awayAfter is how long the force may be without a good reading under pressure.
	awayAfter = 250 * time.Millisecond
	// awayFor is how long that must be seen, so that readings which wait their turn
	// behind a tick are taken in first.
	awayFor = 40 * time.Millisecond
	// untrustedAfter is how long the force may be away before what the item saw in that
	// time is not known; for less the gap is left to a person.
	untrustedAfter = time.Second
)

// alarmKeeper raises and clears the alarm. There is one at a time: what follows from
// its cause is no second one.
type alarmKeeper struct {
	now    Maybe[AlarmRaised]
	flat   Force         // where the force stood when it was raised
	well   bool          // the cause seems to be gone
	wellAt time.Duration // since when

	away     bool // no good reading for too long
	awayAt   time.Duration
	pressure Pressure // at the last good reading
}

// checkForce compares the force with its pressure and raises or clears the alarm.
func (m *Machine) checkForce(s *sample) {
	if m.weigh.on { // the cylinder has no part in it
		m.cross.lose()
		if m.alarm.now.Known {
			m.alarmWell(true)
		}
		return
	}
	compared, found := m.cross.see(s, m.zero.tare)
	if !compared {
		m.checkWithoutPressure(s)
		return
	}
	if m.pulling && !m.pull.end.ended {
		m.pull.seeCheck(&m.cross)
	}
	switch {
	case found != noFlaw && !m.alarm.now.Known:
		m.raiseFlat(found)
	case found == noFlaw && m.flatAlarm():
		m.alarmWell(m.forceAgrees())
	case m.flatAlarm():
		m.alarm.well = false
	}
	if found != noFlaw {
		m.distrust()
	}
}

func (m *Machine) raiseFlat(found flaw) {
	x := &m.cross
	bar := func(p Pressure) string { return UnitBar.Show(p, 1) }
	force := UnitKN.Show(x.last.force, 2)
	e := AlarmRaised{At: m.now, Alarm: ForceFlat, Since: x.agreedAt}
	switch {
	case found == vanished:
		e.Why = "the force reads " + force + " at " + bar(x.last.pressure) + ", which must give more"
	case x.last.pressure > x.followed.pressure:
		e.Why = "the pressure rose from " + bar(x.followed.pressure) + " to " + bar(x.last.pressure) + " and the force stays at " + force
	default:
		e.Why = "the pressure fell from " + bar(x.followed.pressure) + " to " + bar(x.last.pressure) + " and the force stays at " + force
	}
	m.raise(e)
	m.alarm.flat = x.last.force
}

// distrust makes the evidence of a pull in hand void. A loss of load in which the
// pressure stayed up was none of the load.
func (m *Machine) distrust() {
	m.doubt(ReadingNotTrusted)
	if m.pulling && m.cross.suspected == vanished {
		m.pull.revokeLoss(m.cross.agreedAt)
	}
}

// forceAgrees says that force and pressure agree again: the force has moved from
// where it stood, or there is no pressure any more.
func (m *Machine) forceAgrees() bool {
	x := &m.cross
	moved := absForce(x.last.force-m.alarm.flat) >= x.step
	return !x.outside && x.suspected == noFlaw && (moved || x.last.pressure < x.least)
}

// checkWithoutPressure lets the alarm of a flat force go once it moves, when there is
// no pressure any more that it could agree with.
func (m *Machine) checkWithoutPressure(s *sample) {
	if m.flatAlarm() && s.confirmed.Known && !m.pressure.value(s.at).Known {
		m.alarmWell(absForce(s.confirmed.Value+m.zero.tare-m.alarm.flat) >= m.cross.step)
	}
}

func (m *Machine) flatAlarm() bool {
	return m.alarm.now.Known && m.alarm.now.Value.Alarm == ForceFlat
}

// watchAway is called with each reading and each tick.
func (m *Machine) watchAway() {
	if m.cross.on {
		m.checkAway()
	}
}

// checkAway raises the alarm of a force without good readings, and clears it once
// they are back.
func (m *Machine) checkAway() {
	a := &m.alarm
	if !m.forceAway() {
		a.away = false
		if a.now.Known && a.now.Value.Alarm == ForceLost {
			m.alarmWell(m.reading.Quality == Good)
		}
		return
	}
	if !a.away {
		a.away, a.awayAt = true, m.now
	}
	a.well = false
	if !a.now.Known && m.now-a.awayAt >= awayFor {
		m.raise(AlarmRaised{
			At: m.now, Alarm: ForceLost, Since: m.goodAt.Value,
			Why: "no good force reading under pressure: " + m.whyAway(),
		})
	}
}

func (m *Machine) whyAway() string {
	if m.reading.Quality == Good {
		return "no reading at all"
	}
	return m.reading.Quality.String()
}

// forceAway says that the force has been without a good reading for too long while
// the bench is under pressure: in a pull, or when the pressure has risen since.
func (m *Machine) forceAway() bool {
	if m.weigh.on || !m.goodAt.Known || m.now-m.goodAt.Value < awayAfter {
		return false
	}
	if m.loaded() {
		return m.pressure.pressurised(m.now, m.cross.least)
	}
	p := m.pressure.value(m.now)
	return p.Known && p.Value >= max(m.cross.least, m.alarm.pressure+m.cross.cylinder.Unfollowed)
}

// loaded says that a pull is in hand and has not ended.
func (m *Machine) loaded() bool { return m.pulling && !m.pull.end.ended }

// seeAway takes a reading of any quality, before it counts as the last good one.
func (m *Machine) seeAway(r *Reading) {
	if m.loaded() && m.goodAt.Known && r.At-m.goodAt.Value >= untrustedAfter && m.pressure.pressurised(r.At, m.cross.least) {
		m.doubt(ReadingNotTrusted)
	}
	if r.Quality == Good {
		m.alarm.pressure = m.pressure.last
	}
}

func (m *Machine) raise(e AlarmRaised) {
	m.alarm.now, m.alarm.well = Known(e), false
	m.emit(e)
}

// alarmWell clears the alarm once all has been well for long enough.
func (m *Machine) alarmWell(well bool) {
	a := &m.alarm
	switch {
	case !well:
		a.well = false
	case !a.well:
		a.well, a.wellAt = true, m.now
	case m.now-a.wellAt >= agreeingFor:
		m.emit(AlarmCleared{At: m.now, Alarm: a.now.Value.Alarm, Since: a.now.Value.At})
		a.now, a.well = Maybe[AlarmRaised]{}, false
	}
}
