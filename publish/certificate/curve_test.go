package certificate

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
)

// Each curve of the journal lies where the record says: its peak at the time of
// the peak, the hold between its times. The traces hold the pull before too.
func TestCurvesLieWhereTheRecordSays(t *testing.T) {
	for _, test := range []string{"j-101", "j-102", "j-103", "j-104", "j-105", "j-106", "j-107"} {
		e := evidence(t, test)
		readings := traces(t, e)
		for _, a := range e.Test.Attempts {
			c := newCurve(a.Ended, readings[a.Ended.Pull])
			if c == nil || !c.placed {
				t.Fatalf("%s: the curve of pull %d is not placed", test, a.Ended.Pull)
			}
			at := map[time.Duration]peak.Force{}
			for _, s := range c.stretches {
				for _, x := range s {
					at[x.at] = x.force
				}
			}
			start := a.Ended.StartedAt
			// The confirmed force is the median of three, so the reading
			// itself may be a little higher or lower.
			near(t, test, at, a.Ended.PeakAt-start, a.Ended.Peak.Value)
			required := a.Ended.Requirement.Value.Required()
			if f := at[a.Ended.Hold.From.Value-start]; f < required-500*peak.Newton {
				t.Errorf("%s: pull %d is said to be held at %v, required %v", test, a.Ended.Pull, f, required)
			}
			if c.from > -time.Second || c.from < -4*time.Second {
				t.Errorf("%s: the curve of pull %d begins at %v", test, a.Ended.Pull, c.from)
			}
		}
	}
}

func near(t *testing.T, test string, at map[time.Duration]peak.Force, when time.Duration, want peak.Force) {
	t.Helper()
	got, ok := at[when]
	if d := got - want; !ok || d > 200*peak.Newton || d < -200*peak.Newton {
		t.Errorf("%s: %v at %v, want about %v", test, got, when, want)
	}
}

func TestCurveThatCannotBePlaced(t *testing.T) {
	e := evidence(t, "j-101")
	ended := e.Test.Attempts[0].Ended
	readings := traces(t, e)[ended.Pull]
	for name, change := range map[string]func(*peak.PullEnded){
		"no peak":         func(e *peak.PullEnded) { e.Peak.Known = false },
		"another peak":    func(e *peak.PullEnded) { e.Peak.Value++ },
		"another start":   func(e *peak.PullEnded) { e.StartedAt += 50 * time.Millisecond },
		"another hold":    func(e *peak.PullEnded) { e.Hold.From.Value += 100 * time.Millisecond },
		"another end":     func(e *peak.PullEnded) { e.Hold.To.Value -= 100 * time.Millisecond },
		"the start later": func(e *peak.PullEnded) { e.StartedAt += 100 * time.Millisecond },
	} {
		changed := ended
		change(&changed)
		c := newCurve(changed, readings)
		if c.placed != (name == "the start later") { // of that, the trace alone cannot tell
			t.Errorf("%s: placed is %v", name, c.placed)
		}
		if svg := string(c.figure(newFigures(Units{}, 0)).SVG()); strings.Contains(svg, "since the pull began") != c.placed || strings.Contains(svg, "held") != c.placed {
			t.Errorf("%s: the axis or the hold is wrong", name)
		}
	}
	if c := newCurve(ended, nil); c != nil {
		t.Error("a curve of nothing")
	}
	if c := newCurve(ended, []peak.Reading{{Quality: peak.Timeout}}); c != nil {
		t.Error("a curve of bad readings")
	}
}

func TestCurveIsBrokenAtGaps(t *testing.T) {
	e := evidence(t, "j-106")
	ended := e.Test.Attempts[0].Ended
	c := newCurve(ended, traces(t, e)[ended.Pull])
	if len(c.stretches) != 2 {
		t.Fatalf("%d stretches, want 2", len(c.stretches))
	}
	before, after := c.stretches[0], c.stretches[1]
	if gap := after[0].at - before[len(before)-1].at; gap != ended.LongestGap {
		t.Errorf("the gap is %v, the record says %v", gap, ended.LongestGap)
	}
	areas := map[ink]int{}
	for _, a := range c.figure(newFigures(Units{}, 0)).areas {
		areas[a.ink]++
	}
	if areas[inkGap] != 1 || areas[inkHold] != 1 {
		t.Errorf("areas %v", areas)
	}
}

// Thinning keeps the first, the last, the highest and the lowest.
func TestThinKeepsExtremes(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		all := make([]sample, 1+chance.IntN(20_000))
		lowest, highest := peak.Force(1<<60), -peak.Force(1<<60)
		for i := range all {
			all[i] = sample{time.Duration(i) * time.Millisecond, peak.Force(chance.Int64N(1_000_000_000))}
			lowest, highest = min(lowest, all[i].force), max(highest, all[i].force)
		}
		kept := thin(all, mostSamples)
		if len(kept) > mostSamples || kept[0] != all[0] || kept[len(kept)-1] != all[len(all)-1] {
			t.Fatalf("%d of %d kept", len(kept), len(all))
		}
		low, high, last := kept[0].force, kept[0].force, time.Duration(-1)
		for _, x := range kept {
			if x.at <= last {
				t.Fatal("the order is lost")
			}
			low, high, last = min(low, x.force), max(high, x.force), x.at
		}
		if low != lowest || high != highest {
			t.Fatalf("extremes %v, %v, want %v, %v", low, high, lowest, highest)
		}
	}
}

// Whatever the figures are, everything lies inside the figure, and there is room
// above the peak, the limit and the highest reading.
func TestFigureHasRoomForEverything(t *testing.T) {
	chance := rand.New(rand.NewPCG(3, 4))
	some := func(f peak.Force) peak.Force { return peak.Force(chance.Int64N(int64(f))) }
	for range 300 {
		scale := peak.Force(1) << (10 + chance.IntN(32)) // from about a newton to about a giganewton
		e := peak.PullEnded{
			StartedAt: 5 * time.Second, PeakAt: 6 * time.Second, Peak: peak.Known(1 + some(scale)*3), Highest: scale,
			Requirement: peak.Known(peak.Requirement{Asked: 1 + some(scale), Limit: peak.Known(1 + some(scale)*2)}),
			Hold:        peak.Hold{For: time.Second, From: peak.Known(5 * time.Second), To: peak.Known(6 * time.Second)},
		}
		c := &curve{pull: e, placed: true, from: -time.Duration(chance.Int64N(1e12)), to: time.Duration(chance.Int64N(1e14))}
		for range 1 + chance.IntN(3) {
			c.stretches = append(c.stretches, []sample{{c.from, some(scale)}, {c.to, -some(scale) / 3}})
		}
		f := c.figure(newFigures(Units{Force: peak.ForceUnit(chance.IntN(12))}, 0))
		for _, l := range f.lines {
			for _, d := range l.dots {
				if d.x < 0 || d.x > f.wide || d.y < plotTop-600 || d.y > plotBottom+tickLen {
					t.Fatalf("%s at %v in a figure of %v by %v", l.ink, d, f.wide, f.high)
				}
				if level := l.ink == inkCurve || l.ink == inkRequired || l.ink == inkLimit; level && d.y < plotTop+100 {
					t.Fatalf("no room above %s at %v", l.ink, d)
				}
			}
		}
		var names []label
		numbers := 0
		for _, l := range f.labels {
			switch {
			case l.at.x == labelLeft:
				names = append(names, l)
			case l.side == end:
				numbers++
			}
		}
		if len(names) != 3 || numbers < 4 || numbers > 11 {
			t.Fatalf("%d names of levels, %d numbers at the axis", len(names), numbers)
		}
		for i := 1; i < len(names); i++ {
			if names[i].at.y-names[i-1].at.y < labelApart-2 {
				t.Fatalf("names too near each other: %v", names)
			}
		}
	}
}
