package peak

import (
	"slices"
	"time"
)

// Point is one comparison with the reference: what was applied and what the
// bench indicated, gross.
type Point struct {
	Run       int // from 1
	Applied   Force
	Indicated Force // mean of the settling time
	Spread    Force // greatest less least reading of it
	At        time.Duration
}

// Session is a verification in the making.
type Session struct {
	Range    string
	Standard Standard
	By       string
	Points   []Point
}

// session is the verification in hand.
type session struct {
	on  bool
	now Session
}

func (s *session) clone() session {
	c := *s
	c.now.Points = slices.Clone(s.now.Points)
	return c
}

// run is the run that an applied force belongs to; why says what is wrong with it.
// Forces rise within a run; the zero return ends it.
func (s *session) run(applied Force) (run int, why string) {
	if len(s.now.Points) == 0 {
		return 1, ""
	}
	last := s.now.Points[len(s.now.Points)-1]
	switch {
	case applied == 0 && last.Applied == 0:
		return 0, "the zero return of this run is recorded already"
	case last.Applied == 0:
		return last.Run + 1, ""
	case applied != 0 && applied <= last.Applied:
		return 0, "forces rise within a run; record the zero return (0 N) before the next run"
	}
	return last.Run, ""
}

func (m *Machine) startSession(c StartVerification) {
	why := m.idle()
	switch {
	case why != "":
	case m.session.on:
		why = "a verification is in hand; finish or cancel it first"
	case m.test.open:
		why = "job " + m.test.job.ID + " is open; finish or cancel it first"
	case m.weigh.on:
		why = "weighing is on; stop it first"
	case !m.set.hasRange(c.Range):
		why = "the bench has no range " + c.Range
	case c.Standard.Name == "":
		why = "say what the force is compared with"
	case c.Standard.Uncertainty <= 0:
		why = "give the expanded uncertainty of the reference"
	}
	if why != "" {
		m.refuse(c.At, "verify.start", why)
		return
	}
	m.session = session{on: true, now: Session{Range: c.Range, Standard: c.Standard, By: c.By}}
	m.emit(VerificationStarted{At: c.At, Range: c.Range, Standard: c.Standard, By: c.By})
}

func (m *Machine) takePoint(c TakePoint) {
	run, why := m.pointWhy(c)
	if why != "" {
		m.refuse(c.At, "verify.point", why)
		return
	}
	p := Point{Run: run, Applied: c.Applied, Indicated: m.window.mean() - m.zero.zero, Spread: m.window.spread(), At: c.At}
	m.session.now.Points = append(slices.Clip(m.session.now.Points), p)
	m.emit(PointTaken{Point: p, By: c.By})
}

func (m *Machine) pointWhy(c TakePoint) (run int, why string) {
	switch {
	case !m.session.on:
		return 0, "no verification is in hand"
	case c.Applied < 0:
		return 0, "an applied force is not negative"
	case !m.fresh():
		return 0, "there is no fresh reading of the load indicator"
	case !m.stable():
		return 0, "the force is not stable; hold it until it has settled"
	}
	return m.session.run(c.Applied)
}

// dropPoint takes the last point back, for a figure entered wrongly.
func (m *Machine) dropPoint(c DropPoint) {
	n := len(m.session.now.Points)
	why := ""
	switch {
	case !m.session.on:
		why = "no verification is in hand"
	case n == 0:
		why = "no point was taken yet"
	case c.Why == "":
		why = "say why the point is dropped"
	}
	if why != "" {
		m.refuse(c.At, "verify.drop", why)
		return
	}
	p := m.session.now.Points[n-1]
	m.session.now.Points = slices.Clip(m.session.now.Points[:n-1])
	m.emit(PointDropped{At: c.At, Point: p, Why: c.Why, By: c.By})
}

func (m *Machine) cancelSession(c CancelVerification) {
	why := ""
	switch {
	case !m.session.on:
		why = "no verification is in hand"
	case c.Why == "":
		why = "say why the verification is cancelled"
	}
	if why != "" {
		m.refuse(c.At, "verify.cancel", why)
		return
	}
	m.session = session{}
	m.emit(VerificationCancelled{At: c.At, Why: c.Why, By: c.By})
}

// follow takes a recorded event of a session.
func (s *session) follow(e Event) {
	switch e := e.(type) {
	case VerificationStarted:
		*s = session{on: true, now: Session{Range: e.Range, Standard: e.Standard, By: e.By}}
	case PointTaken:
		s.now.Points = append(slices.Clip(s.now.Points), e.Point)
	case PointDropped:
		if n := len(s.now.Points); n > 0 {
			s.now.Points = slices.Clip(s.now.Points[:n-1])
		}
	case VerificationCancelled, ForceVerified:
		*s = session{}
	}
}

func (m *Machine) sessionNow() Maybe[Session] {
	if !m.session.on {
		return Maybe[Session]{}
	}
	s := m.session.now
	s.Points = slices.Clip(s.Points)
	return Known(s)
}
