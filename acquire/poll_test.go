package acquire

import (
	"context"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/acquire/modbus"
	"thimbled/peak"
)

const ms = time.Millisecond

// load and gauge are the instruments of most tests, units 1 and 2.
func load(every time.Duration) Instrument {
	return Instrument{
		Name: "load", Measures: Force, Every: every, Timeout: 100 * ms, Scale: 1, UnitFactor: 1000,
		UnitID: 1, Value: Register{Table: modbus.Input, Type: modbus.Float32},
	}
}

func gauge(every time.Duration) Instrument {
	in := load(every)
	in.Name, in.Measures, in.UnitFactor, in.UnitID = "pressure", Pressure, 1e5, 2
	return in
}

// run is a poller at work in a bubble of fake time.
type run struct {
	t       *testing.T
	bus     *bus
	samples []Sample
	start   time.Time
	cancel  context.CancelFunc
	ended   chan struct{}
}

func poll(t *testing.T, b *bus, instruments ...Instrument) *run {
	kind := RTU
	if b.tcp {
		kind = TCP
	}
	r := &run{t: t, bus: b, start: time.Now(), ended: make(chan struct{})}
	l := Line{Name: "test", Kind: kind, WorstAnswer: 150 * ms, Instruments: instruments, Open: b.open}
	l.Serial.Baud = 115200
	r.begin(l)
	return r
}

func (r *run) begin(l Line) {
	ctx, cancel := context.WithCancel(context.Background())
	r.cancel = cancel
	go func() {
		defer close(r.ended)
		if err := l.check(); err != nil {
			r.t.Errorf("poll: %v", err)
			return
		}
		// The exact sleep knows no fake time.
		p := &poller{line: l, start: r.start, sink: func(s Sample) { r.samples = append(r.samples, s) }, sleep: sleepUntil}
		p.run(ctx)
	}()
}

// until lets time pass to the given moment since the start.
func (r *run) until(at time.Duration) {
	time.Sleep(time.Until(r.start.Add(at)))
	synctest.Wait()
}

// stop ends the poller and says how long that took.
func (r *run) stop() time.Duration {
	began := time.Now()
	r.cancel()
	<-r.ended
	took := time.Since(began)
	synctest.Wait() // for the port to be closed
	return took
}

// of returns an instrument's samples that were answered in a stretch of time.
func (r *run) of(name string, from, to time.Duration) (all []Sample) {
	for _, s := range r.samples {
		if s.Instrument == name && s.Answered >= from && s.Answered < to {
			all = append(all, s)
		}
	}
	return all
}

func (r *run) wantAll(what string, samples []Sample, want peak.Quality, least int) {
	r.t.Helper()
	if len(samples) < least {
		r.t.Errorf("%s: %d samples, want at least %d", what, len(samples), least)
	}
	for _, s := range samples {
		if s.Quality != want {
			r.t.Fatalf("%s: %+v, want quality %q", what, s, want)
		}
		if (s.Why == "") != (want == peak.Good) {
			r.t.Fatalf("%s: quality %q with the reason %q", what, s.Quality, s.Why)
		}
		if want != peak.Good && (s.Force != 0 || s.Pressure != 0) {
			r.t.Fatalf("%s: a bad sample has a value: %+v", what, s)
		}
	}
}

func TestScheduleDoesNotDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := poll(t, newBus(false, floatAt0(12.5), floatAt0(80)), load(20*ms), gauge(100*ms))
		r.until(10 * time.Second)
		r.stop()
		loads, gauges := r.of("load", time.Second, 10*time.Second), r.of("pressure", time.Second, 10*time.Second)
		r.wantAll("load", loads, peak.Good, 449)
		r.wantAll("pressure", gauges, peak.Good, 89)
		for i, s := range loads {
			if want := loads[0].Due + time.Duration(i)*20*ms; s.Due != want || s.Missed != 0 || s.Due%(20*ms) != 0 {
				t.Fatalf("sample %d was due at %v and missed %d, want %v", i, s.Due, s.Missed, want)
			}
			if s.Asked-s.Due > 6*ms || s.Answered-s.Asked != 3*ms {
				t.Fatalf("sample %d was asked %v late and answered after %v", i, s.Asked-s.Due, s.Answered-s.Asked)
			}
			if s.Force != 12500*peak.Newton || s.Raw != 12.5 || s.Scaled {
				t.Fatalf("sample %d is %+v", i, s)
			}
		}
		if gauges[0].Pressure != 80*peak.Bar {
			t.Errorf("pressure %v", gauges[0].Pressure)
		}
	})
}

// An instrument that needs longer than a period: slots are missed and counted,
// the line never rests, and no poll is late by a whole period.
func TestTooSlowALineMissesSlots(t *testing.T) {
	for _, takes := range []time.Duration{21 * ms, 47 * ms} {
		synctest.Test(t, func(t *testing.T) {
			d := floatAt0(1)
			d.takes = takes
			r := poll(t, newBus(true, d), load(20*ms))
			r.until(10 * time.Second)
			r.stop()
			slots, last := 0, Sample{Due: -20 * ms}
			for _, s := range r.samples {
				slots += 1 + s.Missed
				if s.Due != last.Due+time.Duration(1+s.Missed)*20*ms || s.Due > s.Asked {
					t.Fatalf("%v after %v with %d missed", s.Due, last.Due, s.Missed)
				}
				if s.Asked-s.Due >= 20*ms {
					t.Fatalf("late by %v", s.Asked-s.Due)
				}
				last = s
			}
			if slots < 495 || slots > 501 {
				t.Errorf("%d slots in 10 s of 20 ms", slots)
			}
			if best := int(10 * time.Second / takes); len(r.samples) < best {
				t.Errorf("%d polls, the line allows %d", len(r.samples), best)
			}
		})
	}
}

func TestEqualInstrumentsShareASlowLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := floatAt0(1), floatAt0(2)
		a.takes, b.takes = 30*ms, 30*ms
		r := poll(t, newBus(true, a, b), load(20*ms), gauge(20*ms))
		r.until(6 * time.Second)
		r.stop()
		loads, gauges := len(r.of("load", 0, time.Minute)), len(r.of("pressure", 0, time.Minute))
		if loads < 90 || gauges < 90 {
			t.Errorf("%d and %d polls, want about 100 each", loads, gauges)
		}
	})
}

// The instrument of unit 2 is dead from 2 s to 20 s. Each of its polls costs the
// load one wait and no more, they become rare, and it is back with its first
// answer.
func TestDeadNeighbourCostsOneWaitPerStep(t *testing.T) {
	for _, c := range []struct {
		tcp  bool
		cost time.Duration // of one poll without an answer
	}{{true, 100 * ms}, {false, 160 * ms}} {
		synctest.Test(t, func(t *testing.T) {
			dead := floatAt0(80)
			b := newBus(c.tcp, floatAt0(12.5), dead)
			r := poll(t, b, load(20*ms), gauge(50*ms))
			r.until(2 * time.Second)
			b.change(func() { dead.silent = true })
			r.until(20 * time.Second)
			b.change(func() { dead.silent = false })
			r.until(27 * time.Second)
			b.change(func() { dead.silent = true })
			r.until(27*time.Second + 60*ms)
			b.change(func() { dead.silent = false })
			r.until(30 * time.Second)
			r.stop()

			loads := r.of("load", 2*time.Second, 20*time.Second)
			r.wantAll("neighbour", loads, peak.Good, 700)
			steps, held := r.of("pressure", 2*time.Second+100*ms, 20*time.Second), 0
			r.wantAll("dead", steps, peak.Timeout, 7)
			for i := range loads[1:] {
				gap := loads[i+1].Answered - loads[i].Answered
				if gap > c.cost+25*ms {
					t.Errorf("the neighbour had a gap of %v", gap)
				}
				if gap > 45*ms {
					held++
				}
			}
			if held > len(steps)+1 || len(steps) > 10 {
				t.Errorf("the neighbour was held up %d times by %d polls", held, len(steps))
			}
			for i := 2; i < len(steps); i++ {
				pause, before := steps[i].Asked-steps[i-1].Answered, steps[i-1].Asked-steps[i-2].Answered
				if pause > longestBackOff+100*ms || i > 2 && pause < before {
					t.Errorf("pause %d is %v after %v", i, pause, before)
				}
			}
			back := r.of("pressure", 20*time.Second+10*ms, 27*time.Second)
			r.wantAll("back", back, peak.Good, 30)
			// The first poll took a wait more, in which a late answer would have come.
			if again := back[2].Due - back[1].Due; again != 50*ms {
				t.Errorf("polled again after %v, want the next slot", again)
			}
			r.wantAll("after a single failure", r.of("pressure", 28*time.Second, 30*time.Second), peak.Good, 39)
		})
	}
}

// Alone on its line a dead instrument is not left out: it costs nobody anything.
func TestDeadInstrumentAloneIsAskedOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dead := floatAt0(1)
		dead.silent = true
		r := poll(t, newBus(true, dead), load(20*ms))
		r.until(10 * time.Second)
		r.stop()
		r.wantAll("dead", r.samples, peak.Timeout, 80)
	})
}

// One spoilt answer is one bad sample; the next slot after the line's silence is
// good again.
func TestSingleFaultIsOneBadSample(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := floatAt0(12.5)
		b := newBus(false, d, floatAt0(80))
		r := poll(t, b, load(20*ms), gauge(100*ms))
		r.until(2 * time.Second)
		b.change(func() { d.spoil = true })
		r.until(2*time.Second + 25*ms)
		b.change(func() { d.spoil = false })
		r.until(4 * time.Second)
		r.stop()
		bad := 0
		for _, s := range r.samples {
			if s.Quality != peak.Good {
				bad++
				r.wantAll("spoilt", []Sample{s}, peak.Garbled, 1)
			}
		}
		if bad != 1 {
			t.Errorf("%d bad samples", bad)
		}
		r.wantAll("after it", r.of("load", 2*time.Second+300*ms, 4*time.Second), peak.Good, 80)
	})
}

func TestUnplugAndReplug(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(false, floatAt0(12.5), floatAt0(80))
		r := poll(t, b, load(20*ms), gauge(100*ms))
		r.until(2 * time.Second)
		b.unplug()
		r.until(12 * time.Second)
		b.plugIn()
		r.until(20 * time.Second)
		r.stop()
		for _, name := range []string{"load", "pressure"} {
			lost := r.of(name, 2*time.Second+20*ms, 12*time.Second)
			r.wantAll(name+" unplugged", lost, peak.Disconnected, 6)
			if len(lost) > 12 {
				t.Errorf("%s: %d samples in 10 s without a line", name, len(lost))
			}
			for i := range lost[1:] {
				if gap := lost[i+1].Answered - lost[i].Answered; gap > longestPause+150*ms {
					t.Errorf("%s: nothing said for %v", name, gap)
				}
			}
			r.wantAll(name+" back", r.of(name, 15*time.Second, 20*time.Second), peak.Good, 49)
		}
		if b.overlaps > 0 || b.opens[1].Sub(r.start) < 2*time.Second {
			t.Errorf("opened at %v, %d times before it was closed", b.opens, b.overlaps)
		}
	})
}

// An instrument that is polled seldom says seldom that its line is gone.
func TestSlowInstrumentUnplugged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(true)
		b.opener = os.ErrNotExist
		r := poll(t, b, load(10*time.Second))
		r.until(time.Minute)
		r.stop()
		r.wantAll("gone", r.samples, peak.Disconnected, 5)
		if len(r.samples) > 6 {
			t.Errorf("%d samples in a minute of 10 s", len(r.samples))
		}
	})
}

// A gateway that closes idle connections is no fault: no sample is lost.
func TestIdleCloseIsNoFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(true, floatAt0(12.5))
		b.idle = 500 * ms
		r := poll(t, b, load(time.Second))
		r.until(30*time.Second + 500*ms)
		r.stop()
		r.wantAll("all", r.samples, peak.Good, 31)
		if len(b.opens) != 31 || b.overlaps > 0 {
			t.Errorf("%d connections, %d at once", len(b.opens), b.overlaps)
		}
	})
}

// A peer that accepts and closes at once is one that is not there.
func TestPeerThatClosesAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(true, floatAt0(12.5))
		b.hangUp = true
		r := poll(t, b, load(20*ms))
		r.until(20 * time.Second)
		r.stop()
		r.wantAll("all", r.samples, peak.Disconnected, 10)
		if len(b.opens) > 20 {
			t.Errorf("%d connections in 20 s", len(b.opens))
		}
	})
}

func TestCancelIsImmediate(t *testing.T) {
	silent := floatAt0(1)
	silent.silent = true
	for what, b := range map[string]*bus{
		"in an exchange":      newBus(true, silent),
		"in the first pause":  newBus(false, silent),
		"between two polls":   newBus(true, floatAt0(1)),
		"while the line away": {tcp: true, opener: os.ErrNotExist},
	} {
		synctest.Test(t, func(t *testing.T) {
			r := poll(t, b, load(10*time.Second))
			r.until(50 * ms)
			if d := r.stop(); d != 0 {
				t.Errorf("%s: took %v", what, d)
			}
			b.change(func() {
				if b.port != nil && b.closes == 0 {
					t.Errorf("%s: the line was left open", what)
				}
			})
		})
	}
}

func TestCancelWhileWaitingForALine(t *testing.T) {
	for _, ask := range []string{"", "R\r"} {
		synctest.Test(t, func(t *testing.T) {
			i := newIndicator(counting)
			i.onWrite = func([]byte) {}
			in := printer(t, time.Second, ask)
			in.Timeout = time.Minute
			r := pollText(t, i, in)
			r.until(time.Second)
			if d := r.stop(); d != 0 || len(r.samples) > 0 || !i.port.closed() {
				t.Errorf("took %v and gave %+v", d, r.samples)
			}
		})
	}
}

func TestCancelWhileOpening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := &run{t: t, start: time.Now(), ended: make(chan struct{})}
		l := Line{Name: "test", Kind: TCP, Instruments: []Instrument{load(20 * ms)}}
		l.Open = func(ctx context.Context, _ Line) (modbus.Port, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		}
		r.begin(l)
		r.until(time.Second)
		if d := r.stop(); d != 0 || len(r.samples) > 0 {
			t.Errorf("took %v and gave %+v", d, r.samples)
		}
	})
}

// An exception is never a number, whatever its code.
func TestExceptionsAreNeverNumbers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := floatAt0(12.5)
		b := newBus(true, d)
		r := poll(t, b, load(20*ms))
		for code := range 255 {
			b.change(func() { d.exception = byte(code + 1) })
			r.until(time.Duration(code+1) * 40 * ms)
		}
		r.stop()
		r.wantAll("refused", r.samples, peak.Refused, 400)
		for _, s := range r.samples {
			if s.Raw != 0 {
				t.Fatalf("%+v", s)
			}
		}
	})
}

// A gateway that cannot reach one unit answers for it at its own leisure: the
// unit is left out like a silent one.
func TestUnreachableUnitIsLeftOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		away := floatAt0(80)
		away.exception, away.takes = 0x0B, 80*ms
		r := poll(t, newBus(true, floatAt0(12.5), away), load(20*ms), gauge(50*ms))
		r.until(20 * time.Second)
		r.stop()
		steps := r.of("pressure", 0, time.Minute)
		r.wantAll("away", steps, peak.Refused, 5)
		if len(steps) > 12 {
			t.Errorf("asked %d times", len(steps))
		}
	})
}

// The exact sleep is never early, and it can be cut short.
func TestSleepExactly(t *testing.T) {
	for _, d := range []time.Duration{-time.Second, 0, 500 * time.Microsecond, 2 * ms, 5 * ms} {
		until := time.Now().Add(d)
		if err := sleepExactly(t.Context(), until); err != nil || time.Now().Before(until) {
			t.Errorf("%v: %v, early by %v", d, err, time.Until(until))
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(ms, cancel)
	if err := sleepExactly(ctx, time.Now().Add(time.Hour)); err == nil {
		t.Error("slept for an hour")
	}
}

func TestSettingsThatMakeNoSense(t *testing.T) {
	good := load(20 * ms)
	for what, f := range map[string]func(l *Line){
		"kind":         func(l *Line) { l.Kind = "rs485" },
		"instrument":   func(l *Line) { l.Instruments = nil },
		"above 0":      func(l *Line) { l.Instruments[0].Every = 0 },
		"not 0":        func(l *Line) { l.Instruments[0].Scale = 0 },
		"broadcast":    func(l *Line) { l.Instruments[0].UnitID = 0 },
		"beyond 65535": func(l *Line) { l.Instruments[0].Value.Address = 65535 },
		"coil":         func(l *Line) { l.Instruments[0].Value.Table = modbus.Coils },
		"status":       func(l *Line) { l.Instruments[0].Status.Stable.Mask = 1 },
		"constant":     func(l *Line) { l.Instruments[0].Constant = peak.Known(Register{}) },
		"format":       func(l *Line) { l.Kind = Text },
		"alone":        func(l *Line) { l.Kind = Text; l.Instruments = append(l.Instruments, good) },
	} {
		l := Line{Name: "test", Kind: RTU, Instruments: []Instrument{good}}
		f(&l)
		err := Poll(t.Context(), l, time.Now(), func(Sample) { t.Error("polled all the same") })
		if err == nil || !strings.Contains(err.Error(), what) || !strings.Contains(err.Error(), "line test") {
			t.Errorf("%s: %v", what, err)
		}
	}
}
