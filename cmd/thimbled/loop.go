package main

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"thimbled/acquire"
	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/metrics"
)

// The names of the instruments, in samples, metrics and events.
const (
	loadName     = "load"
	pressureName = "pressure"
)

const (
	tickEvery = 50 * time.Millisecond
	// clockStep is the least jump of the wall clock against the monotonic one
	// that counts as a step; slewing stays far below it between two ticks.
	clockStep = 500 * time.Millisecond
	// silence is how long listeners hear nothing when no reading comes in.
	silence = 200 * time.Millisecond
)

// listener hears of each step, after what happened in it is durable.
type listener func(s *publish.Snapshot, span publish.Span, now time.Duration)

// loop steps the core. Its goroutine is the only one that touches the fields
// below samples, asks and snapshot.
type loop struct {
	samples  chan acquire.Sample
	asks     chan ask
	mended   chan peak.BrokerRepaired // repairs of the broker's copy of the records
	snapshot atomic.Pointer[publish.Snapshot]

	bench, version string
	start          time.Time // where elapsed time counts from
	wall           func() time.Time
	clock          publish.Clock
	machine        *peak.Machine
	journal        *journal.Writer
	record         recorder
	merge          merger
	stuck          acquire.StuckWatch
	watched        []*watched
	constant       peak.Maybe[int64] // the calibration constant read last
	constantFirst  peak.Maybe[int64] // the one read first in this run
	parameters     parameters
	ready          readiness
	broker         func() error // why the broker cannot be used; nil if it can
	metrics        *metrics.Metrics
	hear           []listener
	fed            func() // called after each step that moved
	log            *slog.Logger
	sealer         *sealer        // nil when nothing is signed
	heard          time.Duration  // when the listeners were last told
	traces         publish.Traces // of the pulls of the open test
	damaged        chan *journal.Damage
	removals       chan peak.TraceRemoved
	damage         *journal.Damage // found, and recording goes on until the pull in hand has ended
}

// watched is one instrument as the loop knows it.
type watched struct {
	health acquire.Health
	shown  publish.Instrument
}

// ask is a command on its way to the core.
type ask struct {
	input  func(at time.Duration) peak.Input
	answer chan answer
}

type answer struct {
	event peak.Event
	data  json.RawMessage
	err   error
}

// errJournalFailed refuses what would need a record.
var errJournalFailed = errors.New("the journal has failed; nothing can be recorded until the daemon is started anew")

func (l *loop) now() time.Duration { return time.Since(l.start) }

// run steps the core until the samples end, then stops it. The samples end once
// all the pollers have.
func (l *loop) run(context.Context) error {
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		select {
		case s, ok := <-l.samples:
			if !ok {
				l.settle(l.machine.Stop())
				l.show()
				return nil
			}
			l.take(s)
		case a := <-l.asks:
			l.carryOut(a)
		case e := <-l.mended:
			e.At = l.now()
			l.settle([]peak.Event{e})
		case d := <-l.damaged:
			l.takeDamage(d)
		case e := <-l.removals:
			l.removeTrace(e)
		case <-tick.C:
			l.checkClock()
			l.settle(l.machine.Step(peak.Tick{At: l.now()}))
			l.sealDue()
			l.refuseDamaged()
			if l.now()-l.heard >= silence {
				l.show() // nothing came in, and that must be seen
			}
		}
		l.fed()
	}
}

// take steps the core with one sample.
func (l *loop) take(s acquire.Sample) {
	s = l.stuck.Observe(s)
	l.metrics.ObservePoll(s.Instrument, s.Quality, s.Answered-s.Asked, s.Asked-s.Due)
	l.metrics.CountMissed(s.Instrument, s.Missed)
	l.watch(s)
	x, ok := l.merge.add(s)
	if !ok {
		return
	}
	l.record.add(x)
	l.checkConstant(s)
	l.settle(l.machine.Step(&x.reading))
	l.show()
}

// watch follows whether the instrument answers.
func (l *loop) watch(s acquire.Sample) {
	for _, w := range l.watched {
		if w.shown.Name != s.Instrument {
			continue
		}
		w.shown.Quality, w.shown.Why = s.Quality, s.Why
		if s.Quality == peak.Good {
			w.shown.LastGood = peak.Known(s.Answered)
		}
		if e, changed := w.health.Observe(s); changed {
			_, w.shown.Lost = e.(peak.InstrumentLost)
			l.settle([]peak.Event{e})
		}
	}
}

// checkConstant doubts a pull in which the indicator's calibration constant
// changed.
func (l *loop) checkConstant(s acquire.Sample) {
	if !s.Constant.Known {
		return
	}
	if l.constant.Known && l.constant.Value != s.Constant.Value {
		l.log.Warn("the indicator's calibration constant changed", "from", l.constant.Value, "to", s.Constant.Value)
	}
	if l.constant != s.Constant {
		l.settle(l.machine.Step(peak.Constant{At: l.now(), Value: s.Constant.Value}))
		l.changed("the load indicator", constantIs(s.Constant.Value))
	}
	l.constant = s.Constant
	if !l.constantFirst.Known {
		l.constantFirst = s.Constant
	}
}

// changed records a parameter that may have a new value.
func (l *loop) changed(by string, now config.Parameter) {
	if e, ok := l.parameters.set(l.now(), by, now); ok {
		l.settle([]peak.Event{e})
	}
}

// checkClock notices when the wall clock was set: times in events follow it,
// durations never do, and a pull in hand needs a person.
func (l *loop) checkClock() {
	elapsed := l.now()
	off := l.wall().Round(0).Sub(l.clock.Wall(elapsed))
	if off.Abs() < clockStep {
		return
	}
	l.log.Warn("the clock was set", "by", off)
	l.clock.Epoch = l.clock.Epoch.Add(off)
	l.settle(l.machine.Step(peak.SetClock{At: elapsed, By: off}))
}

// settle makes events durable, in order, before anybody hears of them.
func (l *loop) settle(events []peak.Event) {
	for _, e := range events {
		if _, ok := e.(peak.CommandRefused); ok {
			continue // an answer, not a record
		}
		l.metrics.CountEvent(e)
		l.seal(e)
		l.append(publish.Encode(e, l.clock, l.traces), e)
		l.sealAfter(e)
	}
}

// seal ends the trace of an ended pull. Traces are kept until the test that
// they may belong to has ended.
func (l *loop) seal(e peak.Event) {
	ended, ok := e.(peak.PullEnded)
	if !ok {
		return
	}
	trace, err := l.record.finish()
	switch {
	case err != nil:
		l.log.Error("the pull has no trace", "error", err)
	case trace != nil:
		l.traces[ended.Pull] = *trace
	}
}

func (l *loop) append(event publish.Event, e peak.Event) {
	began := time.Now()
	rec, err := l.journal.Append(event)
	if err != nil {
		// The pull's figures stay in the snapshot, which says that the journal failed.
		l.log.Error("event not recorded", "type", event.Type, "data", string(event.Data), "error", err)
		return
	}
	l.metrics.ObserveSync(time.Since(began))
	l.recorded(e, rec.Number)
}

// recorded does what follows from a record.
func (l *loop) recorded(e peak.Event, number uint64) {
	switch e := e.(type) {
	case peak.TestEnded:
		clear(l.traces)
	case peak.PullStarted:
		if err := l.record.start(number); err != nil {
			l.log.Error("the pull cannot be traced", "error", err)
		}
	case peak.TraceRemoved:
		if err := l.journal.RemoveTrace(e.Name); err != nil {
			l.log.Warn("an old trace cannot be removed", "error", err)
		}
	case peak.ParametersChanged:
		l.parameters.follow(e)
	case peak.ForceVerified:
		l.changed(e.Verification.By, verificationIs(e.Verification, l.clock))
	}
}

// carryOut steps the core with a command and answers with its event.
func (l *loop) carryOut(a ask) {
	if l.journal.Failed() != nil {
		a.answer <- answer{err: errJournalFailed}
		return
	}
	events := slices.Clone(l.machine.Step(a.input(l.now())))
	out := answer{err: errors.New("the command had no effect")}
	if len(events) > 0 { // as it is recorded: the end of a test forgets its traces
		out = answer{event: events[0], data: publish.Encode(events[0], l.clock, l.traces).Data}
	}
	l.settle(events)
	l.show()
	if err := l.journal.Failed(); err != nil {
		a.answer <- answer{err: errJournalFailed}
		return
	}
	a.answer <- out
}

// do hands a command to the loop and waits for its event.
func (l *loop) do(ctx context.Context, input func(at time.Duration) peak.Input) (peak.Event, json.RawMessage, error) {
	a := ask{input: input, answer: make(chan answer, 1)}
	select {
	case l.asks <- a:
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	}
	select {
	case got := <-a.answer:
		return got.event, got.data, got.err
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	}
}

// show makes a new snapshot and tells those who listen.
func (l *loop) show() {
	s := &publish.Snapshot{
		Bench: l.bench, Version: l.version, Clock: l.clock, State: l.machine.State(),
		Instruments: make([]publish.Instrument, len(l.watched)), JournalRecords: l.journal.Last(), Changes: l.parameters.count,
	}
	for i, w := range l.watched {
		s.Instruments[i] = w.shown
	}
	if err := l.journal.Failed(); err != nil {
		s.JournalFailed = err.Error()
	}
	s.Checks = l.ready.list(s, standing{
		constant: l.constant, expected: l.constantFirst, room: l.space, broker: l.broker,
	}, l.now())
	l.snapshot.Store(s)
	l.heard = l.now()
	span := publish.Span{Min: s.State.Net, Max: s.State.Net}
	for _, hear := range l.hear {
		hear(s, span, l.heard)
	}
}

// space returns the free space, and why it is too little for a test.
func (l *loop) space() (free int64, err error) {
	free, err = l.journal.Free()
	if err == nil {
		err = l.journal.Room()
	}
	return free, err
}
