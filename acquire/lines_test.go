package acquire

import (
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/acquire/text"
	"thimbled/peak"
)

func printer(t *testing.T, every time.Duration, ask string) Instrument {
	f, err := text.Compile(text.Patterns{Value: `^(?P<value>[-0-9.]+) (?P<unit>\w+)$`, NotReady: "CAL", OverRange: "OVER"})
	if err != nil {
		t.Fatal(err)
	}
	return Instrument{
		Name: "load", Measures: Force, Every: every, Timeout: 200 * ms, Scale: 1, UnitFactor: 1000, Format: f, Ask: []byte(ask),
	}
}

// indicator prints numbered lines on a bus, each when it is told or asked.
type indicator struct {
	*bus
	lines func(n int) string
	n     int
	sent  []string
}

func newIndicator(lines func(n int) string) *indicator {
	i := &indicator{bus: newBus(false), lines: lines}
	i.onWrite = func(b []byte) {
		i.change(func() { i.sent = append(i.sent, string(b)) })
		time.AfterFunc(20*ms, i.print)
	}
	return i
}

func (i *indicator) print() {
	i.change(func() {
		i.n++
		i.port.arrive([]byte(i.lines(i.n)))
	})
}

// printEvery prints until stop is called.
func (i *indicator) printEvery(cycle time.Duration) (stop func()) {
	tick, done := time.NewTicker(cycle), make(chan struct{})
	go func() {
		for {
			select {
			case <-tick.C:
				i.print()
			case <-done:
				return
			}
		}
	}()
	return func() { close(done) }
}

func counting(n int) string { return strconv.Itoa(n) + " kN\r\n" }

func pollText(t *testing.T, i *indicator, instruments ...Instrument) *run {
	r := &run{t: t, bus: i.bus, start: time.Now(), ended: make(chan struct{})}
	r.begin(Line{Name: "test", Kind: Text, Instruments: instruments, Open: i.open})
	synctest.Wait()
	return r
}

func TestContinuousLines(t *testing.T) {
	for cycle, want := range map[time.Duration]time.Duration{10 * ms: 20 * ms, 20 * ms: 20 * ms, 50 * ms: 50 * ms} {
		synctest.Test(t, func(t *testing.T) {
			i := newIndicator(counting)
			r := pollText(t, i, printer(t, 20*ms, ""))
			stop := i.printEvery(cycle)
			r.until(5*time.Second + ms)
			stop()
			r.stop()
			r.wantAll("all", r.of("load", time.Second, time.Minute), peak.Good, int(4*time.Second/want)-1)
			for k, s := range r.samples {
				if s.Force != peak.Force(s.Answered/cycle)*peak.Kilonewton || s.Answered%cycle != 0 {
					t.Fatalf("cycle %v: %v at %v", cycle, s.Force, s.Answered)
				}
				if k > 0 && s.Answered-r.samples[k-1].Answered != want {
					t.Fatalf("cycle %v: %v after the sample before", cycle, s.Answered-r.samples[k-1].Answered)
				}
				if s.Due != s.Asked || s.Asked > s.Answered {
					t.Fatalf("cycle %v: due %v, asked %v, answered %v", cycle, s.Due, s.Asked, s.Answered)
				}
			}
		})
	}
}

func TestContinuousSilenceGivesBadSamples(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newIndicator(counting)
		r := pollText(t, i, printer(t, 20*ms, ""))
		r.until(10*time.Second + 150*ms)
		r.wantAll("silent", r.samples, peak.Timeout, 49)
		i.unplug()
		r.until(10*time.Second + 300*ms)
		r.stop()
		if n := len(r.samples); n > 60 {
			t.Errorf("%d samples", n)
		}
	})
}

func TestContinuousQualities(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line := ""
		i := newIndicator(func(int) string { return line })
		r := pollText(t, i, printer(t, 20*ms, ""))
		r.until(time.Second)
		line = "end of a line\r"
		i.print()
		for n, c := range []struct {
			line string
			want peak.Quality
		}{{"CAL\r", peak.NotReady}, {"OVER\r", peak.OverRange}, {"1.x kN\r", peak.Garbled}, {"1 xN\r", peak.Garbled}, {"1 kN\r", peak.Good}} {
			r.until(time.Second + time.Duration(n+1)*50*ms)
			line = c.line
			i.print()
			synctest.Wait()
			r.wantAll(c.line, r.samples[len(r.samples)-1:], c.want, 1)
		}
		r.stop()
	})
}

func TestAskedLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newIndicator(counting)
		r := pollText(t, i, printer(t, 100*ms, "R\r"))
		r.until(10 * time.Second)
		r.stop()
		r.wantAll("all", r.samples, peak.Good, 99)
		for k, s := range r.samples {
			if s.Force != peak.Force(k+1)*peak.Kilonewton || s.Due != time.Duration(k)*100*ms || s.Answered-s.Asked != 20*ms {
				t.Fatalf("sample %d: %+v", k, s)
			}
		}
		for _, sent := range i.sent {
			if sent != "R\r" {
				t.Fatalf("sent %q", sent)
			}
		}
	})
}

func TestTextUnplugAndReplug(t *testing.T) {
	for _, ask := range []string{"", "R\r"} {
		synctest.Test(t, func(t *testing.T) {
			i := newIndicator(counting)
			r := pollText(t, i, printer(t, 50*ms, ask))
			if ask == "" {
				defer i.printEvery(50 * ms)()
			}
			r.until(2 * time.Second)
			r.bus.unplug()
			r.until(8 * time.Second)
			r.bus.plugIn()
			r.until(15 * time.Second)
			r.stop()
			r.wantAll("lost", r.of("load", 2*time.Second+50*ms, 8*time.Second), peak.Disconnected, 4)
			r.wantAll("back", r.of("load", 11*time.Second, 15*time.Second), peak.Good, 79)
		})
	}
}
