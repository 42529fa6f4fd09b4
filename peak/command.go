package peak

import "time"

func (m *Machine) refuse(at time.Duration, command, why string) {
	m.emit(CommandRefused{At: at, Command: command, Why: why})
}

// unsettled says why an offset cannot be taken from the force now; empty when
// it can.
func (m *Machine) unsettled() string {
	switch {
	case m.pulling:
		return "a pull is in hand; wait until it has ended"
	case m.alarm.now.Known:
		return "the alarm " + string(m.alarm.now.Value.Alarm) + " is on; look at the load cell first"
	case !m.fresh():
		return "there is no fresh reading of the load indicator"
	case !m.stable():
		return "the force is not stable; wait until it has settled"
	}
	return ""
}

func (m *Machine) setZero(c SetZero) {
	why := m.unsettled()
	if why != "" {
		m.refuse(c.At, "zero", why)
		return
	}
	e, why := m.zero.setZero(c, m.window.mean())
	if why != "" {
		m.refuse(c.At, "zero", why)
		return
	}
	m.before = before{restQuiet, m.window.mean()}
	m.emit(e)
}

func (m *Machine) setTare(c SetTare) {
	why := m.tareWhy(c)
	if why != "" {
		m.refuse(c.At, "tare", why)
		return
	}
	tare := c.Force.Value
	if !c.Force.Known {
		tare = m.window.mean() - m.zero.zero
	}
	e, why := m.zero.setTare(c, tare, m.set.Capacity)
	if why != "" {
		m.refuse(c.At, "tare", why)
		return
	}
	m.before = before{}
	if m.fresh() && m.stable() {
		m.before = before{restQuiet, m.window.mean()}
	}
	m.emit(e)
}

func (m *Machine) tareWhy(c SetTare) string {
	switch {
	case m.pulling || m.test.open && len(m.test.made) > 0:
		return "the tare cannot be changed during a test"
	case !c.Force.Known:
		return m.unsettled()
	}
	return ""
}

// fresh says that the last good reading is young enough to stand for now, and that
// nothing speaks against it.
func (m *Machine) fresh() bool {
	return !m.alarm.now.Known && m.goodAt.Known && m.now-m.goodAt.Value <= m.set.Capture.MaxGap
}
