package acquire

import (
	"context"
	"time"

	"thimbled/acquire/modbus"
	"thimbled/acquire/text"
	"thimbled/peak"
)

// answer is the outcome of one poll.
type answer struct {
	reading
	asked, answered time.Time // zero as far as it did not come
	err             error
	// silent says that the poll cost its time and brought nothing that the
	// instrument could have said.
	silent bool
	// lost says that the line must be opened again.
	lost bool
}

// polled is an instrument and the state of its polling.
type polled struct {
	instrument  *Instrument
	slot        slot
	layout      layout
	constantDue time.Time
}

// source polls one instrument of an open line.
type source interface {
	ask(ctx context.Context, p *polled) answer
}

// poller polls one line. It belongs to one goroutine.
type poller struct {
	line   Line
	start  time.Time
	sink   func(Sample)
	polled []*polled
	// sleep waits for the next poll.
	sleep func(ctx context.Context, until time.Time) error
}

// Poll polls the instruments of a line until ctx ends and calls sink with each
// sample, in the order in which they were taken. It uses one goroutine, the
// caller's; while sink runs nothing is polled. Times in samples count from
// start, which must have a monotonic clock reading.
//
// The instrument whose slot came first is asked first. One that does not answer is
// left out for longer and longer, up to five seconds, if it has neighbours. A
// line that is lost is opened again, at once if it had worked, then after 100 ms to
// 2 s; meanwhile each instrument gives samples of the quality disconnected, one for
// each attempt. The error is nil when ctx ended; any other means that the
// line's settings make no sense.
func Poll(ctx context.Context, l Line, start time.Time, sink func(Sample)) error {
	if err := l.check(); err != nil {
		return err
	}
	p := &poller{line: l, start: start, sink: sink, sleep: sleepExactly}
	if l.Sleep != nil {
		p.sleep = l.Sleep
	}
	p.run(ctx)
	return nil
}

func (p *poller) run(ctx context.Context) {
	p.enrol(time.Now())
	p.stayOpen(ctx, p.use)
}

// enrol makes the schedules. The instruments' moments are spread over the shortest
// period, so that as few as can be come at once.
func (p *poller) enrol(now time.Time) {
	l := &p.line
	shortest := l.Instruments[0].Every
	for _, in := range l.Instruments {
		shortest = min(shortest, in.Every)
	}
	for i := range l.Instruments {
		in := &l.Instruments[i]
		one := &polled{instrument: in, layout: in.lay(true)}
		one.slot = slot{every: in.Every, cost: max(in.Every, in.Timeout)}
		one.slot.due = now.Add(shortest * time.Duration(i) / time.Duration(len(l.Instruments)))
		if l.Kind != TCP {
			one.slot.cost = max(one.slot.cost, l.worstAnswer())
		}
		p.polled = append(p.polled, one)
	}
}

// use polls the line as long as it is open. good says that an instrument has
// answered.
func (p *poller) use(ctx context.Context, port modbus.Port) (good bool, err error) {
	switch {
	case p.line.continuous():
		return p.pollContinuous(ctx, &lines{text.NewReader(port, p.line.Terminators, 0)})
	case p.line.Kind == Text:
		return p.pollScheduled(ctx, &lines{text.NewReader(port, p.line.Terminators, p.line.worstAnswer())})
	}
	return p.pollScheduled(ctx, &registers{client: p.line.client(port)})
}

// worstAnswer is never less than what an instrument is waited for.
func (l *Line) worstAnswer() time.Duration {
	if l.WorstAnswer <= 0 {
		return max(modbus.DefaultWorstAnswer, l.longestTimeout())
	}
	return max(l.WorstAnswer, l.longestTimeout())
}

func (l *Line) longestTimeout() (d time.Duration) {
	for _, in := range l.Instruments {
		d = max(d, in.Timeout)
	}
	return d
}

// deviceServerBits is what a character behind a device server is taken to have:
// the standard's, which is the longest.
const deviceServerBits = 11

// client makes the Modbus client for the kind of line.
func (l *Line) client(port modbus.Port) *modbus.Client {
	s := modbus.Settings{Timeout: l.longestTimeout(), WorstAnswer: l.worstAnswer(), Echo: l.Echo, Sleep: l.Sleep}
	switch l.Kind {
	case TCP:
		return modbus.NewTCP(port, s)
	case RTUOverTCP:
		s.CharTime, s.Silence = modbus.CharTime(l.LineBaud, deviceServerBits), modbus.Silence(l.LineBaud, deviceServerBits)
	default:
		bits := l.Serial.CharacterBits()
		s.CharTime, s.Silence = modbus.CharTime(l.Serial.Baud, bits), modbus.Silence(l.Serial.Baud, bits)
	}
	return modbus.NewRTU(port, s)
}

// pollScheduled asks the instruments in turn. A line that had worked and is found
// closed is no failed poll: a gateway may close an idle connection, and the same
// instrument is asked again on the next one.
func (p *poller) pollScheduled(ctx context.Context, from source) (good bool, err error) {
	for {
		one := p.next()
		if err := p.sleep(ctx, one.slot.due); err != nil {
			return good, err
		}
		one.slot.claim(time.Now())
		a := from.ask(ctx, one)
		switch {
		case ctx.Err() != nil:
			return good, ctx.Err()
		case a.lost && a.quality == peak.Disconnected && good:
			return good, a.err
		}
		p.emit(one, a, one.slot.due, one.slot.asked)
		p.plan(one, a)
		if a.lost {
			return good, a.err
		}
		good = good || !a.silent
	}
}

// next returns the instrument to be polled next.
func (p *poller) next() *polled {
	best := p.polled[0]
	for _, one := range p.polled[1:] {
		if one.slot.first(&best.slot) {
			best = one
		}
	}
	return best
}

// plan sets when an instrument is polled after this answer. One that is alone on
// its line costs nobody anything and is never left out.
func (p *poller) plan(one *polled, a answer) {
	now := time.Now()
	one.slot.done(now)
	if a.silent && len(p.polled) > 1 {
		one.slot.failed(now)
		return
	}
	one.slot.failures = 0
}

// down gives a bad sample for each instrument that is due while the line is not
// open.
func (p *poller) down(err error, since time.Time) {
	now := time.Now()
	for _, one := range p.polled {
		if one.slot.due.After(now) {
			continue
		}
		one.slot.claim(now)
		p.emit(one, answer{reading: reading{quality: peak.Disconnected, why: err.Error()}}, one.slot.due, since)
		one.slot.done(now)
	}
}

// emit gives the sample of a poll that was due and that began at the given
// moments.
func (p *poller) emit(one *polled, a answer, due, began time.Time) {
	in := one.instrument
	if a.asked.IsZero() {
		a.asked = began
	}
	if a.asked.Before(due) {
		a.asked = due // an attempt to open the line that began before
	}
	if a.answered.IsZero() {
		a.answered = time.Now()
	}
	s := Sample{
		Instrument: in.Name, Measures: in.Measures, Missed: one.slot.missed,
		Due: due.Sub(p.start), Asked: a.asked.Sub(p.start), Answered: a.answered.Sub(p.start),
	}
	one.slot.missed = 0
	if a.quality == peak.Good {
		in.fill(&s, &a.reading)
	}
	s.Quality, s.Why = a.quality, a.why
	s.Raw, s.Scaled, s.Stable, s.Constant = a.raw, in.Scaled(), a.stable, a.constant
	p.sink(s)
}

// fill puts a good reading's value into the sample, unless it turns out not to be
// good.
func (in *Instrument) fill(s *Sample, r *reading) {
	n := in.steps(r)
	if in.Measures == Pressure {
		s.Pressure = peak.Pressure(n)
		return
	}
	s.Force = peak.Force(n)
}
