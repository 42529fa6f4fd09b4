package bench

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"testing"
	"testing/synctest"
	"time"
)

func TestFaultsHaveNames(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range Faults() {
		name := f.String()
		got, err := ParseFault(name)
		if err != nil || got != f || seen[name] {
			t.Errorf("%s is read as %s, %v", name, got, err)
		}
		seen[name] = true
	}
	for _, name := range []string{
		"late", "bad-crc", "half-frame", "glued", "echo", "babble", "silent", "restart", "stuck", "over-range",
		"unplug", "slow-bytes", "extra-byte", "exception-busy", "foreign", "nan", "wrong-id", "cut",
	} {
		if !seen[name] {
			t.Errorf("%s is missing", name)
		}
		delete(seen, name)
	}
	if len(seen) > 0 {
		t.Errorf("untested: %v", seen)
	}
	for _, name := range []string{"", "none", "unknown", "Late"} {
		if f, err := ParseFault(name); err == nil {
			t.Errorf("%q is read as %s", name, f)
		}
	}
}

func TestBadInjectionsAreRefused(t *testing.T) {
	l := NewFaultList(1)
	for _, i := range []Injection{
		{}, {Fault: faults}, {Fault: Late, Count: -1}, {Fault: Late, For: -1}, {Fault: Late, Takes: -1},
		{Fault: Late, Chance: 1.1}, {Fault: Late, Chance: -0.1}, {Fault: Late, Chance: math.NaN()},
	} {
		if l.Inject(i) == nil {
			t.Errorf("%+v was taken", i)
		}
	}
}

func TestFaultsHaveAUsualTime(t *testing.T) {
	l := NewFaultList(1)
	for fault, want := range map[Fault]time.Duration{
		Late: 300 * time.Millisecond, Babble: 500 * time.Millisecond, Unplug: time.Second, SlowBytes: 3 * time.Millisecond, Silent: 0,
	} {
		if err := l.Inject(Injection{Fault: fault}); err != nil {
			t.Fatal(err)
		}
		if got, takes := l.wire(1, RTU); got != fault || takes != want {
			t.Errorf("%s takes %s, want %s of %s", fault, want, takes, got)
		}
	}
}

func inject(t *testing.T, l *Line, i Injection) {
	t.Helper()
	if err := l.faults.Inject(i); err != nil {
		t.Fatal(err)
	}
}

// Each fault of an answer does to its bytes what its name says, once, and the
// next answer is whole.
func TestFaultsSpoilAnswersOnRTU(t *testing.T) {
	load, gauge := appendCRC(unhex(t, loadReply)), appendCRC(unhex(t, gaugeRply))
	ask := appendCRC(unhex(t, askLoad))
	bad := bytes.Clone(load)
	bad[len(bad)-1] ^= 0x55
	for fault, want := range map[Fault][]byte{
		BadCRC:        bad,
		HalfFrame:     load[:4],
		Glued:         append(bytes.Clone(gauge), load...),
		Echo:          append(bytes.Clone(ask), load...),
		Silent:        nil,
		ExtraByte:     append(bytes.Clone(load), 0),
		BusyException: appendCRC(unhex(t, "01 84 06")),
		Foreign:       appendCRC(unhex(t, "02 04 04 42F6E666")),
		NotANumber:    appendCRC(unhex(t, "01 04 04 7FC00000")),
		Restart:       appendCRC(unhex(t, "01 04 04 00000000")),
		OverRangeFlag: appendCRC(unhex(t, "01 04 04 43834000")), // 262.5 kN
		WrongID:       load,                                     // there is none on RTU
	} {
		inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
			c.ask(askGauge)
			c.wantReply(gaugeRply)
			inject(t, l, Injection{Fault: fault, Unit: 1})
			c.ask(askGauge)
			c.wantReply(gaugeRply) // the other unit is spared
			c.ask(askLoad)
			if got := c.listen(time.Second); !bytes.Equal(got, want) {
				t.Errorf("%s: % X, want % X", fault, got, want)
			}
			c.ask(askLoad)
			c.wantReply(loadReply)
			if n := l.faults.Spoilt()[fault]; n != 1 && fault != WrongID {
				t.Errorf("%s spoilt %d answers", fault, n)
			}
		})
	}
}

func TestFaultsInsideShowInTheStatus(t *testing.T) {
	const status = "01 04 0002 0001"
	for fault, want := range map[Fault]string{
		Restart: "01 04 02 0004", OverRangeFlag: "01 04 02 0002", StuckValue: "01 04 02 0001", NotANumber: "01 04 02 0001",
	} {
		inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
			inject(t, l, Injection{Fault: fault, For: time.Second})
			for range 3 {
				c.ask(status)
				c.wantReply(want)
			}
			time.Sleep(time.Second)
			c.ask(status)
			c.wantReply("01 04 02 0001")
		})
	}
}

// A late answer comes after its time, by itself, even between other answers.
func TestLateAnswer(t *testing.T) {
	inMemory(t, LineSettings{Kind: RTU, Pace: Pace{Delay: 2 * time.Millisecond}}, func(t *testing.T, l *Line, c client) {
		inject(t, l, Injection{Fault: Late, Unit: 1, Takes: 300 * time.Millisecond})
		asked := time.Now()
		c.ask(askLoad)
		if got := c.listen(200 * time.Millisecond); len(got) > 0 {
			t.Fatalf("answered in time: % X", got)
		}
		c.ask(askGauge)
		c.wantReply(gaugeRply)
		buf := make([]byte, 64)
		c.SetReadDeadline(time.Time{})
		n, err := c.Read(buf)
		if err != nil || !bytes.Equal(buf[:n], appendCRC(unhex(t, loadReply))) {
			t.Errorf("late answer % X, %v", buf[:n], err)
		}
		if late := time.Since(asked); late != 302*time.Millisecond {
			t.Errorf("answered after %s, want 302ms", late)
		}
	})
}

func TestSlowBytes(t *testing.T) {
	inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
		inject(t, l, Injection{Fault: SlowBytes, Takes: 7 * time.Millisecond})
		c.ask(askLoad)
		var all []byte
		buf := make([]byte, 64)
		for last := time.Now(); len(all) < 9; last = time.Now() {
			n, err := c.Read(buf)
			if err != nil || n != 1 || time.Since(last) != 7*time.Millisecond {
				t.Fatalf("%d bytes after %s, %v", n, time.Since(last), err)
			}
			all = append(all, buf[0])
		}
		if !bytes.Equal(all, appendCRC(unhex(t, loadReply))) {
			t.Errorf("% X", all)
		}
	})
}

// While an instrument babbles it is deaf; afterwards it answers again.
func TestBabble(t *testing.T) {
	inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
		inject(t, l, Injection{Fault: Babble, Takes: 400 * time.Millisecond})
		c.ask(askLoad)
		first := c.listen(200 * time.Millisecond)
		c.ask(askGauge)
		second := c.listen(time.Second)
		if n := len(first) + len(second); n < 350*16 || n > 450*16 || len(second) < 150*16 {
			t.Errorf("%d bytes, then %d bytes of babble", len(first), len(second))
		}
		if bytes.Equal(first[:64], first[64:128]) || bytes.Contains(second, appendCRC(unhex(t, gaugeRply))) {
			t.Error("that was no babble")
		}
		c.ask(askLoad)
		c.wantReply(loadReply)
	})
}

func TestStuckValuesDoNotMove(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		count := uint16(0)
		l, err := NewLine(LineSettings{Kind: RTU}, NewFaultList(1), LoadUnit(1, Dock3.Indicator, func() Values {
			count++
			return Values{Updates: count}
		}))
		if err != nil {
			t.Fatal(err)
		}
		c := dial(t, ctx, l)
		defer c.Close()
		inject(t, l, Injection{Fault: StuckValue, Count: 3})
		for _, want := range []string{"01 04 02 0001", "01 04 02 0001", "01 04 02 0001", "01 04 02 0004"} {
			c.ask("01 04 0009 0001")
			c.wantReply(want)
		}
	})
}

// An unplugged line is gone for every client, cannot be opened, and is there
// again after its time.
func TestUnplug(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := steady(t, LineSettings{Kind: RTU})
		first, second := dial(t, t.Context(), l), dial(t, t.Context(), l)
		second.ask(askLoad) // so that its conversation is under way
		second.wantReply(loadReply)
		inject(t, l, Injection{Fault: Unplug, Takes: 2 * time.Second})
		first.ask(askLoad)
		for _, c := range []client{first, second} {
			c.SetReadDeadline(time.Time{})
			if _, err := c.Read(make([]byte, 9)); !errors.Is(err, io.EOF) {
				t.Errorf("got %v, want EOF", err)
			}
		}
		if _, err := l.Open(t.Context()); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("opened an unplugged line: %v", err)
		}
		time.Sleep(2 * time.Second)
		c := dial(t, t.Context(), l)
		defer c.Close()
		c.ask(askLoad)
		c.wantReply(loadReply)
	})
}

func TestFaultsOfTCP(t *testing.T) {
	const ask, reply = "0102 0000 0006 01 04 0000 0002", "0102 0000 0007 01 04 04 42F6E666"
	for fault, want := range map[Fault]string{
		None:          reply,
		WrongID:       "0103 0000 0007 01 04 04 42F6E666",
		Foreign:       "0102 0000 0007 02 04 04 42F6E666",
		BusyException: "0102 0000 0003 01 84 06",
		HalfFrame:     "0102 0000 0007",
		ExtraByte:     reply + "00",
		Glued:         reply + reply,
		BadCRC:        reply, // there is none on TCP
		Silent:        "",
		Cut:           "0102 0000 0007",
	} {
		inMemory(t, LineSettings{Kind: TCP}, func(t *testing.T, l *Line, c client) {
			if fault != None {
				inject(t, l, Injection{Fault: fault})
			}
			c.send(unhex(t, ask))
			if got := c.listen(time.Second); !bytes.Equal(got, unhex(t, want)) {
				t.Errorf("%s: % X, want %s", fault, got, want)
			}
			_, err := c.Write(unhex(t, ask))
			if cut := err != nil; cut != (fault == Cut) {
				t.Errorf("%s: then %v", fault, err)
			}
		})
	}
}

func TestChanceSpoilsItsPart(t *testing.T) {
	course := func(seed uint64) (silent []bool) {
		l := NewFaultList(seed)
		if err := l.Inject(Injection{Fault: Silent, Chance: 0.2}); err != nil {
			t.Fatal(err)
		}
		for range 2000 {
			f, _ := l.wire(1, RTU)
			silent = append(silent, f == Silent)
		}
		return silent
	}
	count := func(course []bool) (n int) {
		for _, silent := range course {
			if silent {
				n++
			}
		}
		return n
	}
	a, b, other := course(1), course(1), course(2)
	if n := count(a); n < 320 || n > 480 { // 400 expected, 4.5 standard deviations
		t.Errorf("%d of 2000 were spoilt", n)
	}
	same := func(a, b []bool) bool {
		for i := range a {
			if a[i] != b[i] {
				return false
			}
		}
		return true
	}
	if !same(a, b) || same(a, other) {
		t.Error("chance does not come from the seed")
	}
}

func TestClearEndsFaults(t *testing.T) {
	inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
		inject(t, l, Injection{Fault: Silent, Count: 100})
		inject(t, l, Injection{Fault: Restart, For: time.Hour})
		l.faults.Clear()
		c.ask(askLoad)
		c.wantReply(loadReply)
	})
}
