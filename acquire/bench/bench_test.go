package bench

import (
	"bytes"
	"context"
	"encoding/binary"
	"math"
	"reflect"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
)

// running runs a bench in memory on the test's own time.
func running(t *testing.T, settings Settings, test func(t *testing.T, b *Bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b, err := New(settings)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- b.Serve(ctx) }()
		test(t, b)
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serve: %v", err)
		}
	})
}

// readForce polls the load indicator as float32.
func readForce(c client) float64 {
	c.t.Helper()
	c.ask(askLoad)
	answer := make([]byte, 9)
	c.SetReadDeadline(time.Now().Add(time.Second))
	if n, err := c.Read(answer); n != 9 || err != nil || !checks(answer) {
		c.t.Fatalf("% X, %v", answer[:n], err)
	}
	return float64(math.Float32frombits(binary.BigEndian.Uint32(answer[3:])))
}

// A whole pull goes over the wire: announced, raised, held and released, ten
// times as fast as life.
func TestPullGoesOverTheWire(t *testing.T) {
	running(t, Settings{Speed: 10, Setup: Setup{Seed: 1, Script: Script{Pulls: []Pull{Sound}}}}, func(t *testing.T, b *Bench) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		c := dial(t, ctx, b.Line("rs485"))
		defer c.Close()
		u := <-b.Upcoming()
		if u.Number != 1 || u.Pull.Name != "sound" || u.In <= 0 {
			t.Errorf("announced %d %s in %s", u.Number, u.Pull.Name, u.In)
		}
		var held, highest float64
		for end := time.Now().Add(u.In/10 + 7500*time.Millisecond); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			f := readForce(c)
			if truth := float64(b.Now().Force) / 1e6; math.Abs(f-truth) > 1.5 {
				t.Fatalf("read %.3f kN where there are %.3f kN", f, truth)
			}
			if f >= 100 {
				held += 0.02
			}
			highest = max(highest, f)
		}
		if held < 3.1 || held > 4 || highest < 102 || highest > 104 {
			t.Errorf("held for %.2f s, highest %.3f kN", held, highest)
		}
		if got := b.Functions(); len(got) != 1 || got[4] < 300 {
			t.Errorf("functions %v", got)
		}
	})
}

func TestBenchThatIsNotServed(t *testing.T) {
	b, err := New(Settings{})
	if err != nil {
		t.Fatal(err)
	}
	if now := b.Now(); now.At != 0 || now.Load.Updates != 1 {
		t.Errorf("a bench that is not served is at %+v", now)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	for _, speed := range []float64{-1, 1001, math.NaN(), math.Inf(1)} {
		if _, err := New(Settings{Speed: speed}); err == nil {
			t.Errorf("a speed of %v was taken", speed)
		}
	}
}

func TestBenchTimeRunsAtItsSpeed(t *testing.T) {
	running(t, Settings{Speed: 2.5}, func(t *testing.T, b *Bench) {
		time.Sleep(10 * time.Second)
		if at := b.Now().At; at < 24900*time.Millisecond || at > 25*time.Second {
			t.Errorf("after 10 s the bench is at %s, want 25s", at)
		}
	})
}

func TestTraceGoesOverTheWire(t *testing.T) {
	trace := []Sample{{At: 0, Force: 50 * peak.Kilonewton}, {At: time.Second, Force: 75 * peak.Kilonewton, Pressure: 40 * peak.Bar}}
	running(t, Settings{Setup: Setup{Trace: trace}}, func(t *testing.T, b *Bench) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		c := dial(t, ctx, b.Line("rs485"))
		defer c.Close()
		time.Sleep(900 * time.Millisecond)
		if f := readForce(c); f != 50 {
			t.Errorf("read %v kN", f)
		}
		time.Sleep(200 * time.Millisecond)
		if f := readForce(c); f != 75 {
			t.Errorf("read %v kN", f)
		}
		c.ask(askGauge)
		c.wantReply("02 04 02 0FA0") // 40.00 bar
	})
}

// A bench may have other ids, other maps and several lines, each with its part
// of the instruments.
func TestBenchIsFittedAsAsked(t *testing.T) {
	settings := Settings{
		LoadID: 17, PressureID: 9,
		LoadRegisters: []Register{{At: 4000, Type: Int32, Order: CDAB, Step: 100}},
		Setup:         Setup{Trace: []Sample{{Force: 12_340 * peak.Newton, Pressure: 3 * peak.Bar}}, Indicator: Indicator{Capacity: 250 * peak.Kilonewton, Division: peak.Newton, Every: 10 * time.Millisecond}},
		Lines: []LineSettings{
			{Name: "all", Kind: RTU},
			{Name: "load", Kind: RTU, On: LoadOnly},
			{Name: "pressure", Kind: RTU, On: PressureOnly},
			{Name: "text", Kind: Text, Print: Printing{OnDemand: true}},
		},
	}
	const load, gauge = "11 04 04 E208 0001", "09 04 02 012C" // 123400 x 100 mN
	running(t, settings, func(t *testing.T, b *Bench) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		for name, want := range map[string][]string{"all": {load, gauge}, "load": {load}, "pressure": {gauge}} {
			c := dial(t, ctx, b.Line(name))
			defer c.Close()
			c.ask("11 04 0FA0 0002")
			c.ask("09 04 0000 0001")
			var all []byte
			for _, pdu := range want {
				all = append(all, appendCRC(unhex(t, pdu))...)
			}
			if got := c.listen(time.Second); !bytes.Equal(got, all) {
				t.Errorf("line %s: % X, want % X", name, got, all)
			}
		}
		c := dial(t, ctx, b.Line("text"))
		defer c.Close()
		c.send([]byte("?"))
		if got := string(c.listen(time.Second)); got != "+12.340 kN stable\r\n" {
			t.Errorf("printed %q", got)
		}
		if want := map[byte]int{4: 6}; !reflect.DeepEqual(b.Functions(), want) {
			t.Errorf("functions %v, want %v", b.Functions(), want)
		}
	})
	if b, err := New(Settings{Lines: []LineSettings{{Name: "a", Kind: RTU}, {Name: "a", Kind: TCP}}}); err == nil {
		b.Close()
		t.Error("two lines of one name were taken")
	}
}

// Nobody has to listen to announcements.
func TestUnheardAnnouncementsAreDropped(t *testing.T) {
	empty := Pull{Name: "empty", Steps: []Step{{Do: Rest, For: time.Second}}}
	running(t, Settings{Speed: 100, Setup: Setup{Script: Script{Pulls: []Pull{empty}, Loop: true}}}, func(t *testing.T, b *Bench) {
		for b.Now().Pull < 30 {
			time.Sleep(10 * time.Millisecond)
		}
		if first := <-b.Upcoming(); first.Number < 10 {
			t.Errorf("the oldest announcement kept is of pull %d", first.Number)
		}
	})
}
