package main

import (
	"fmt"
	"os"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
)

const (
	// checkEvery is how often the readiness list is made anew; people read it.
	checkEvery = 200 * time.Millisecond
	// roomEvery is how often the free space is asked for.
	roomEvery = 5 * time.Second
)

// clockMark is what systemd's time service touches once the clock is
// synchronised.
const clockMark = "/run/systemd/timesync/synchronized"

// readiness makes the list of what must be in order before a pull counts. A
// check that depends on one which is not in order waits, instead of adding
// noise. Only the loop uses it.
type readiness struct {
	config *config.Config
	due    time.Duration
	checks []publish.Check

	room     error // why there is no room for a test
	roomDue  time.Duration
	free     int64
	clockSet bool
}

// standing is what the list is made of besides the snapshot.
type standing struct {
	constant, expected peak.Maybe[int64]
	room               func() (free int64, err error)
	broker             func() error
}

// list returns the readiness list; it is not changed afterwards.
func (r *readiness) list(s *publish.Snapshot, in standing, now time.Duration) []publish.Check {
	if r.checks != nil && now < r.due {
		return r.checks
	}
	r.due = now + checkEvery
	if now >= r.roomDue {
		r.roomDue = now + roomEvery
		r.free, r.room = in.room()
		_, err := os.Stat(clockMark)
		r.clockSet = err == nil
	}
	load := r.instrument(s, loadName, "Load indicator", now)
	out := []publish.Check{load}
	if alarm := s.State.Alarm; alarm.Known {
		out = append(out, bad(check("alarm", "Alarm"), "stop pumping and release the pressure: "+alarm.Value.Why))
	}
	pressure := publish.Check{State: publish.InOrder}
	if r.config.Pressure != nil {
		pressure = r.instrument(s, pressureName, "Pressure transducer", now)
		out = append(out, pressure)
	}
	still := r.still(s, load)
	out = append(out, still, r.zero(s, still), r.constant(in, load))
	if r.config.Pressure != nil {
		out = append(out, r.pressureLow(s, pressure))
	}
	r.checks = append(out, r.verification(s, now), r.job(s), r.journal(s), r.space(), r.broker(in), r.clock())
	return r.checks
}

func check(name, title string) publish.Check {
	return publish.Check{Name: name, Title: title, State: publish.InOrder}
}

// bad returns the check as not in order.
func bad(c publish.Check, why string) publish.Check {
	c.State, c.Why = publish.NotInOrder, why
	return c
}

// waits returns the check as waiting if the one it depends on is not in order.
func waits(c, on publish.Check) (publish.Check, bool) {
	if on.State == publish.InOrder || on.State == publish.Attention {
		return c, false
	}
	c.State, c.Why = publish.Waiting, "cannot be told before this is in order: "+on.Title
	return c, true
}

func (r *readiness) instrument(s *publish.Snapshot, name, title string, now time.Duration) publish.Check {
	c := check(name, title)
	for _, i := range s.Instruments {
		if i.Name != name {
			continue
		}
		limit := 3 * r.every(name)
		switch {
		case !i.LastGood.Known:
			return bad(c, "has not answered yet"+because(i.Why))
		case i.Quality != peak.Good && i.Lost:
			return bad(c, "gives no good reading"+because(i.Why))
		case now-i.LastGood.Value > max(limit, r.config.Capture.MaxGap):
			return bad(c, fmt.Sprintf("the last good reading is %.1f s old%s", (now-i.LastGood.Value).Seconds(), because(i.Why)))
		}
		c.Figure = fmt.Sprintf("read every %v", r.every(name))
	}
	return c
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return ": " + why
}

func (r *readiness) every(name string) time.Duration {
	if name == pressureName {
		return r.config.Pressure.Every
	}
	return r.config.Load.Every
}

func (r *readiness) still(s *publish.Snapshot, load publish.Check) publish.Check {
	c := check("still", "Force at rest")
	if c, ok := waits(c, load); ok {
		return c
	}
	c.Figure = r.force(s.State.Net)
	switch {
	case s.State.Phase == peak.PhaseWeighing:
		return bad(c, "weighing is on; stop it before a pull")
	case s.State.InPull:
		c.State, c.Why = publish.Attention, "a pull is in hand"
	case !s.State.Stable:
		return bad(c, fmt.Sprintf("the force moves by more than %s within %v; wait until it has settled",
			r.show(r.config.Zero.Motion), r.config.Zero.Settle))
	}
	return c
}

// zero compares the net force at rest with one division: what shows nothing
// must be nothing.
func (r *readiness) zero(s *publish.Snapshot, still publish.Check) publish.Check {
	c := check("zero", "Zero")
	if c, ok := waits(c, still); ok {
		return c
	}
	c.Figure = r.force(s.State.Net)
	if s.State.InPull {
		c.Figure = ""
		return c
	}
	net := s.State.Net.Value
	if max(net, -net) > r.config.Bench.Division {
		return bad(c, "the bench shows a force at rest; unload it and set zero, or set a tare for known rigging")
	}
	return c
}

func (r *readiness) constant(in standing, load publish.Check) publish.Check {
	c := check("constant", "Calibration constant")
	if !r.config.Load.ConstantRegister.Known {
		c.Figure = "not read from this indicator"
		return c
	}
	if c, ok := waits(c, load); ok {
		return c
	}
	switch {
	case !in.constant.Known:
		return bad(c, "has not been read yet")
	case in.expected.Known && in.expected.Value != in.constant.Value:
		c.Figure = fmt.Sprint(in.constant.Value)
		return bad(c, fmt.Sprintf("was %d when the daemon started: someone has changed the indicator", in.expected.Value))
	}
	c.Figure = fmt.Sprint(in.constant.Value)
	return c
}

func (r *readiness) pressureLow(s *publish.Snapshot, transducer publish.Check) publish.Check {
	c := check("pressure-low", "Pressure released")
	if c, ok := waits(c, transducer); ok {
		return c
	}
	p := s.State.Pressure
	if !p.Known {
		return bad(c, "the pressure is not known")
	}
	c.Figure = r.config.Pressure.Unit.Show(p.Value, 1)
	if p.Value >= r.config.Zero.PressurisedAbove && !s.State.InPull {
		return bad(c, "the cylinder is under pressure; release it before a pull")
	}
	return c
}

func (r *readiness) job(s *publish.Snapshot) publish.Check {
	c := check("job", "Job")
	open := s.State.Job
	switch {
	case !open.Known:
		c.State, c.Figure, c.Why = publish.Attention, "none open", "a pull made now belongs to no job; it can be assigned later"
	case !open.Value.Next.Known:
		c.Figure = open.Value.Job.Item
		return bad(c, "all planned pulls were made; repeat one with a reason, or finish the job")
	default:
		next := open.Value.Job.Planned[open.Value.Next.Value]
		c.Figure = fmt.Sprintf("%s, %s: %s", open.Value.Job.Item, next.Label, r.show(next.Requirement.Required()))
	}
	return c
}

func (r *readiness) journal(s *publish.Snapshot) publish.Check {
	c := check("journal", "Journal")
	if s.JournalFailed != "" {
		return bad(c, "nothing can be recorded: "+s.JournalFailed+"; start the daemon anew once the cause is mended")
	}
	c.Figure = fmt.Sprintf("%d records", s.JournalRecords)
	return c
}

func (r *readiness) space() publish.Check {
	c := check("space", "Disk space")
	c.Figure = fmt.Sprintf("%d MiB free", r.free>>20)
	if r.room != nil {
		return bad(c, r.room.Error())
	}
	return c
}

func (r *readiness) broker(in standing) publish.Check {
	c := check("broker", "Messages to services")
	if err := in.broker(); err != nil {
		c.State, c.Why = publish.Attention, err.Error()+"; records are kept and sent later"
	}
	return c
}

func (r *readiness) clock() publish.Check {
	c := check("clock", "Clock")
	if r.clockSet {
		c.Figure = "synchronised"
		return c
	}
	c.State, c.Why = publish.Attention, "not known to be synchronised; compare it with a watch: durations do not depend on it"
	return c
}

func (r *readiness) show(f peak.Force) string {
	u := r.config.Bench.Show
	return u.Show(f, u.Decimals(r.config.Bench.Division))
}

func (r *readiness) force(m peak.Maybe[peak.Force]) string {
	if !m.Known {
		return ""
	}
	return r.show(m.Value)
}
