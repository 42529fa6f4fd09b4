package text

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func numberFormat(t *testing.T) *Format {
	f, err := Compile(Patterns{Value: `^(?P<value>[-0-9.]+) kN$`, NotReady: `^CAL$`})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

const ms = time.Millisecond

// started gives a reader of a continuous line that has dropped the first lines.
func started(t *testing.T, p *scriptedPort, f *Format) *Reader {
	r := NewReader(p, "", 0)
	if _, err := r.Next(f, ms); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatalf("first wait: %v", err)
	}
	p.print("rest of a line\r")
	if _, err := r.Next(f, ms); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatalf("rest of a line: %v", err)
	}
	return r
}

func want(t *testing.T, what string, a Answer, err error, number float64) {
	t.Helper()
	if err != nil || a.Number != number {
		t.Errorf("%s: %v, %v; want %v", what, a.Number, err, number)
	}
}

func TestContinuousStampsTheLastByte(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		r := started(t, p, f)
		start := time.Now()
		p.printAfter(10*ms, "12")
		p.printAfter(20*ms, ".5 kN")
		p.printAfter(30*ms, "\r")
		a, err := r.Next(f, 100*ms)
		want(t, "line in pieces", a, err, 12.5)
		if a.Asked != start || a.Answered.Sub(start) != 30*ms {
			t.Errorf("asked %v, answered %v", a.Asked.Sub(start), a.Answered.Sub(start))
		}
	})
}

func TestContinuousTakesTheNewestOfSeveral(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		r := started(t, p, f)
		p.print("1 kN\r\n2 kN\r\n3 kN\r\n4 k")
		a, err := r.Next(f, 100*ms)
		want(t, "three lines at once", a, err, 3)
		p.print("N\r\n")
		a, err = r.Next(f, 100*ms)
		want(t, "the line in hand", a, err, 4)
		p.print(strings.Repeat("5 kN\r\n", 300) + "6 kN\r\n") // more than the buffer
		a, err = r.Next(f, 100*ms)
		want(t, "a burst", a, err, 6)
	})
}

// What came while nobody read must not look fresh, neither at the start nor
// after a pause.
func TestContinuousDropsABacklog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		p.print("1 kN\r\n2 kN\r\n")
		r := NewReader(p, "", 0)
		p.printAfter(50*ms, "3 kN\r\n") // a device server empties its memory
		p.printAfter(150*ms, "4 kN\r\n5 kN\r\n")
		a, err := r.Next(f, 500*ms)
		want(t, "at the start", a, err, 5)

		p.print("6 kN\r\n7 kN\r\n8 k")
		time.Sleep(away + ms)
		p.printAfter(10*ms, "N\r\n9 kN\r\n")
		a, err = r.Next(f, 100*ms)
		want(t, "after a pause", a, err, 9)
	})
}

func TestContinuousSilenceAndNoise(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		r := started(t, p, f)
		begin := time.Now()
		if _, err := r.Next(f, 200*ms); !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(begin) != 200*ms {
			t.Errorf("silence: %v after %v", err, time.Since(begin))
		}
		p.print(strings.Repeat("7", maxLine+50))
		if _, err := r.Next(f, 200*ms); !errors.Is(err, ErrGarbled) {
			t.Errorf("noise without an end: %v", err)
		}
		p.print("77 kN\r1 kN\r")
		a, err := r.Next(f, 200*ms)
		want(t, "after the noise", a, err, 1)
		p.print("CAL\r")
		if _, err := r.Next(f, 200*ms); !errors.Is(err, ErrNotReady) {
			t.Errorf("not ready: %v", err)
		}
	})
}

func TestAskSendsExactlyTheRequest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		p.onWrite = func(string) { p.printAfter(20*ms, "\x021.5 kN\x03") }
		r := NewReader(p, "", 0)
		for range 3 {
			a, err := r.Ask([]byte("R1\r"), f, 100*ms)
			want(t, "asked", a, err, 1.5)
			if d := a.Answered.Sub(a.Asked); d != 20*ms {
				t.Errorf("answered after %v", d)
			}
		}
		if !slices.Equal(p.sent, []string{"R1\r", "R1\r", "R1\r"}) {
			t.Errorf("sent %q", p.sent)
		}
	})
}

func TestAskDropsWhatWasThereBefore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		p.onWrite = func(string) { p.printAfter(20*ms, "2 kN\r\n") }
		p.print("1 kN\r\n9")
		a, err := NewReader(p, "", 0).Ask([]byte("?"), f, 100*ms)
		want(t, "with a line in the buffer", a, err, 2)
	})
}

func TestAskAllowsForAnEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		p.onWrite = func(request string) {
			p.print(request)
			p.printAfter(20*ms, "2 kN\r\n")
		}
		a, err := NewReader(p, "", 0).Ask([]byte("READ\r\n"), f, 100*ms)
		want(t, "echo", a, err, 2)
	})
}

// The instrument answers the nth request with n kN, the first one too late. No
// request may get the number of another one.
func TestAskNeverTakesALateLine(t *testing.T) {
	for _, late := range []time.Duration{110 * ms, 250 * ms, 499 * ms} {
		synctest.Test(t, func(t *testing.T) {
			p, f := newPort(), numberFormat(t)
			asked := 0
			p.onWrite = func(string) {
				asked++
				after := 20 * ms
				if asked == 1 {
					after = late
				}
				p.printAfter(after, string(rune('0'+asked))+" kN\r")
			}
			r := NewReader(p, "", 500*ms)
			begin := time.Now()
			if _, err := r.Ask([]byte("?"), f, 100*ms); !errors.Is(err, os.ErrDeadlineExceeded) {
				t.Fatalf("late by %v: %v", late, err)
			}
			a, err := r.Ask([]byte("?"), f, 100*ms)
			want(t, "after a late line", a, err, 2)
			if d := a.Asked.Sub(begin.Add(look)); d != 500*ms {
				t.Errorf("asked again after %v, want 500ms", d)
			}
			a, err = r.Ask([]byte("?"), f, 100*ms)
			want(t, "and then", a, err, 3)
		})
	}
}

func TestAskIsSilentAfterAGarbledLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		p.onWrite = func(string) { p.print("1\x00 kN\r") }
		r := NewReader(p, "", 500*ms)
		if _, err := r.Ask([]byte("?"), f, 100*ms); !errors.Is(err, ErrGarbled) {
			t.Fatalf("garbled: %v", err)
		}
		p.onWrite = func(string) { p.print("2 kN\r") }
		p.printAfter(300*ms, "1 kN\r") // the instrument repeats itself
		a, err := r.Ask([]byte("?"), f, 100*ms)
		want(t, "after a garbled line", a, err, 2)
	})
}

func TestPortErrorsComeThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		time.AfterFunc(150*ms, func() { p.Close() })
		r := NewReader(p, "", 500*ms)
		if _, err := r.Next(f, time.Second); !errors.Is(err, os.ErrClosed) {
			t.Errorf("next: %v", err)
		}
		if _, err := r.Ask([]byte("?"), f, time.Second); !errors.Is(err, os.ErrClosed) {
			t.Errorf("ask: %v", err)
		}
		if len(p.sent) != 0 {
			t.Errorf("sent %q on a closed port", p.sent)
		}
	})
}

// A line that a process which stood still finds when it goes on is of any age: it
// counts only if it is read within the time, and neither does what lies behind it.
func TestLineFoundTooLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		r := started(t, p, f)
		p.print("1 kN\r\n")
		p.still = 50 * ms
		a, err := r.Next(f, 100*ms)
		want(t, "within the time", a, err, 1)
		p.print("2 kN\r\n")
		p.printAfter(10*ms, "3 kN\r\n")
		p.still = 10 * time.Second
		if a, err = r.Next(f, 100*ms); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("a line that was found too late: %v, %v", a, err)
		}
		p.printAfter(10*ms, "4 kN\r\n5 kN\r\n")
		a, err = r.Next(f, 100*ms)
		want(t, "after that", a, err, 5)
	})
	synctest.Test(t, func(t *testing.T) {
		p, f := newPort(), numberFormat(t)
		p.onWrite = func(request string) { p.printAfter(5*ms, strings.TrimPrefix(request, "?")+" kN\r") }
		r := NewReader(p, "", 200*ms)
		a, err := r.Ask([]byte("?1"), f, 100*ms)
		want(t, "in time", a, err, 1)
		p.still = 10 * time.Second
		if a, err = r.Ask([]byte("?2"), f, 100*ms); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("an answer that was found too late: %v, %v", a, err)
		}
		a, err = r.Ask([]byte("?3"), f, 100*ms)
		want(t, "after that", a, err, 3)
	})
}
