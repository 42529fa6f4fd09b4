package peak_test

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"thimbled/peak"
)

func plan(t *testing.T, l peak.Layout) peak.Plan {
	t.Helper()
	p, err := peak.PlanPulls(l)
	if err != nil {
		t.Fatalf("%+v: %v", l, err)
	}
	return p
}

func length(t *testing.T, s string) peak.Length {
	t.Helper()
	l, err := peak.ParseLength(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// Common practice, without a source: a span of 16 ft proves up to 16 ft in one
// pull and 30 ft in two, and 33 ft cannot be done.
func TestSpanOf16Feet(t *testing.T) {
	for _, c := range []struct {
		length, overlap string
		pulls           int
	}{
		{"10 ft", "", 1}, {"16 ft", "", 1}, {"16.001 ft", "15.999 ft", 2},
		{"30 ft", "2 ft", 2}, {"32 ft", "0 ft", 2}, {"32.001 ft", "", 0}, {"33 ft", "", 0},
	} {
		p := plan(t, peak.Layout{Length: length(t, c.length), Legs: 1, Span: length(t, "16 ft")})
		if len(p.Setups) != c.pulls || p.Longest != length(t, "32 ft") || (p.Why == "") != (c.pulls > 0) {
			t.Errorf("%s: %d pulls, want %d: %+v", c.length, len(p.Setups), c.pulls, p)
		}
		if p.Overlap.Known != (c.overlap != "") || p.Overlap.Known && p.Overlap.Value != length(t, c.overlap) {
			t.Errorf("%s: overlap %+v, want %q", c.length, p.Overlap, c.overlap)
		}
	}
}

// planStories are layouts whose plans stand in a golden file, each worked out
// by hand.
var planStories = []struct {
	what                                      string
	length, fittingA, fittingB, span, gripped string
	legs                                      int
}{
	{"fits to the last millimetre", "8 m", "0.3 m", "0.3 m", "8 m", "0 m", 1},
	{"two pulls", "12 m", "0.3 m", "0.4 m", "8 m", "0 m", 1},
	{"two pulls, and the grips take their part", "12 m", "0.3 m", "0.4 m", "8 m", "0.5 m", 1},
	{"a little longer than the span: the grip stays off the other fitting", "8.2 m", "0.3 m", "0.4 m", "8 m", "0.5 m", 1},
	{"fittings of very different length", "9 m", "5 m", "0.2 m", "8 m", "1 m", 1},
	{"just fits in two", "15 m", "0.3 m", "0.3 m", "8 m", "0.5 m", 1},
	{"too long for two", "15.001 m", "0.3 m", "0.3 m", "8 m", "0.5 m", 1},
	{"a fitting as long as the span", "12 m", "8 m", "0.3 m", "8 m", "0.5 m", 1},
	{"a fitting longer than the span", "12 m", "8.5 m", "0.3 m", "8 m", "0 m", 1},
	{"nothing but fittings", "10 m", "5 m", "5 m", "8 m", "0 m", 1},
	{"a body too short for two grips", "10 m", "4.6 m", "4.6 m", "8 m", "0.5 m", 1},
	{"a grip of half the span", "9 m", "0 m", "0 m", "8 m", "4 m", 1},
	{"a sling of three legs", "12 m", "0.3 m", "0.3 m", "8 m", "0 m", 3},
	{"a short sling of two legs", "4 m", "0.3 m", "0.3 m", "8 m", "0 m", 2},
}

func TestPlansTold(t *testing.T) {
	var b strings.Builder
	for _, s := range planStories {
		l := peak.Layout{
			Length: length(t, s.length), FittingA: length(t, s.fittingA), FittingB: length(t, s.fittingB),
			Legs: s.legs, Span: length(t, s.span), Grip: length(t, s.gripped),
		}
		p := plan(t, l)
		b.WriteString("# " + s.what + "\n")
		b.WriteString("length " + s.length + ", fittings " + s.fittingA + " and " + s.fittingB + ", span " + s.span + ", grip " + s.gripped + "\n")
		for _, x := range p.Setups {
			b.WriteString(x.Label() + ": " + x.String() + "\n")
		}
		if p.Overlap.Known {
			b.WriteString("overlap " + p.Overlap.Value.String() + "\n")
		}
		b.WriteString(p.Why + "\n\n")
	}
	const path = "testdata/plans.txt"
	got := strings.ReplaceAll(b.String(), "\n\n\n", "\n\n")
	if *rewrite {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs, got:\n%s", path, got)
	}
}

func TestLegsComeOneByOneAndTheMasterLinkLast(t *testing.T) {
	p := plan(t, peak.Layout{Length: 12 * peak.Metre, Legs: 3, Span: 8 * peak.Metre})
	var labels []string
	for _, s := range p.Setups {
		labels = append(labels, s.Label())
	}
	want := []string{"leg 1, end A", "leg 1, end B", "leg 2, end A", "leg 2, end B", "leg 3, end A", "leg 3, end B", "master link"}
	if !slices.Equal(labels, want) {
		t.Errorf("pulls are %q, want %q", labels, want)
	}
}

func TestLayoutsThatCannotBe(t *testing.T) {
	good := peak.Layout{Length: 12 * peak.Metre, FittingA: peak.Metre, FittingB: peak.Metre, Legs: 1, Span: 8 * peak.Metre, Grip: peak.Metre}
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	const most = peak.Length(1<<63 - 1)
	for _, c := range []struct {
		want   error
		change func(*peak.Layout)
	}{
		{peak.ErrItemLength, func(l *peak.Layout) { l.Length = 0 }},
		{peak.ErrItemLength, func(l *peak.Layout) { l.Length = peak.LongestItem + 1 }},
		{peak.ErrFittings, func(l *peak.Layout) { l.FittingA = -1 }},
		{peak.ErrFittings, func(l *peak.Layout) { l.FittingB = -1 }},
		{peak.ErrFittings, func(l *peak.Layout) { l.FittingB = 11*peak.Metre + 1 }},
		{peak.ErrFittings, func(l *peak.Layout) { l.FittingA, l.FittingB = most, most }},
		{peak.ErrLegs, func(l *peak.Layout) { l.Legs = 0 }},
		{peak.ErrLegs, func(l *peak.Layout) { l.Legs = peak.MostLegs + 1 }},
		{peak.ErrSpan, func(l *peak.Layout) { l.Span = 0 }},
		{peak.ErrSpan, func(l *peak.Layout) { l.Span = peak.LongestItem + 1 }},
		{peak.ErrGrip, func(l *peak.Layout) { l.Grip = -1 }},
		{peak.ErrGrip, func(l *peak.Layout) { l.Grip = 8 * peak.Metre }},
	} {
		l := good
		c.change(&l)
		if _, err := peak.PlanPulls(l); !errors.Is(err, c.want) {
			t.Errorf("%+v: %v, want %v", l, err, c.want)
		}
	}
}

// feasible looks for two grips one micrometre after the other, and shares
// nothing with the plan but the picture.
func feasible(l peak.Layout) bool {
	if l.Length <= l.Span {
		return true
	}
	if l.FittingA+l.FittingB == l.Length {
		return false
	}
	first, last := l.FittingA, l.Length-l.FittingB // of the body
	for p := first; p+l.Grip <= last && p+l.Grip <= l.Span; p++ {
		for q := first; q+l.Grip <= last; q++ {
			// pull 1 loads up to p, pull 2 from q+grip on
			if l.Length-q <= l.Span && q+l.Grip <= p {
				return true
			}
		}
	}
	return false
}

// Every layout of up to 9 steps is planned if and only if there is a way, and
// the longest that can is the longest of these.
func TestPlanFindsAWayWhereThereIsOne(t *testing.T) {
	const steps = 9
	for span := peak.Length(1); span <= 4; span++ {
		for grip := peak.Length(0); grip < span; grip++ {
			for a := peak.Length(0); a <= steps; a++ {
				for b := peak.Length(0); a+b <= steps; b++ {
					checkLongest(t, peak.Layout{FittingA: a, FittingB: b, Legs: 1, Span: span, Grip: grip}, steps)
				}
			}
		}
	}
}

func checkLongest(t *testing.T, l peak.Layout, steps peak.Length) {
	longest := peak.Length(0)
	for l.Length = max(1, l.FittingA+l.FittingB); l.Length <= steps; l.Length++ {
		way := feasible(l)
		if way {
			longest = l.Length
		}
		if p := plan(t, l); (len(p.Setups) > 0) != way || (p.Why == "") != way {
			t.Fatalf("%+v: planned %+v, feasible %v", l, p, way)
		}
	}
	l.Length = max(1, l.FittingA+l.FittingB)
	if p := plan(t, l); p.Longest != longest {
		t.Fatalf("%+v: longest %d, want %d", l, p.Longest, longest)
	}
}

// FuzzPlan: every point of the item is loaded in at least one pull, no pull is
// longer than the span, and no grip is on a fitting.
func FuzzPlan(f *testing.F) {
	f.Add(int64(12*peak.Metre), int64(peak.Metre), int64(peak.Metre), 3, int64(8*peak.Metre), int64(peak.Metre))
	f.Add(int64(8*peak.Metre), int64(0), int64(0), 1, int64(8*peak.Metre), int64(0))
	f.Add(int64(16), int64(8), int64(7), 1, int64(8), int64(0))
	f.Add(int64(peak.LongestItem), int64(0), int64(0), 8, int64(peak.LongestItem/2+1), int64(1))
	f.Fuzz(func(t *testing.T, length, a, b int64, legs int, span, grip int64) {
		l := peak.Layout{
			Length: peak.Length(length), FittingA: peak.Length(a), FittingB: peak.Length(b),
			Legs: legs, Span: peak.Length(span), Grip: peak.Length(grip),
		}
		p, err := peak.PlanPulls(l)
		if (err != nil) != (l.Check() != nil) {
			t.Fatalf("%+v: %v", l, err)
		}
		if err != nil {
			return
		}
		if (len(p.Setups) == 0) != (p.Why != "") || (len(p.Setups) > 0) != (l.Length <= p.Longest && p.Why == "") {
			t.Fatalf("%+v: %+v", l, p)
		}
		checkPulls(t, l, p)
	})
}

func checkPulls(t *testing.T, l peak.Layout, p peak.Plan) {
	loaded := make([]peak.Length, peak.MostLegs+1) // of each leg, from end A without a break
	for _, s := range p.Setups {
		if s.Master {
			continue
		}
		if s.From < 0 || s.From > s.To || s.To > l.Length || s.From > loaded[s.Leg] {
			t.Fatalf("%+v: %v leaves a part unloaded", l, s)
		}
		loaded[s.Leg] = s.To
		switch reach := s.To - s.From; {
		case s.End == peak.BothEnds && reach > l.Span, s.End != peak.BothEnds && reach+l.Grip > l.Span:
			t.Fatalf("%+v: %v is longer than the span", l, s)
		case s.End == peak.EndA && s.To+l.Grip > l.Length-l.FittingB, s.End == peak.EndB && s.From-l.Grip < l.FittingA:
			t.Fatalf("%+v: %v grips a fitting", l, s)
		case s.End == peak.EndA && s.To < l.FittingA, s.End == peak.EndB && s.From > l.Length-l.FittingB:
			t.Fatalf("%+v: %v grips its own fitting", l, s)
		}
	}
	for leg, to := range loaded {
		there := len(p.Setups) > 0 && (l.Legs == 1 && leg == 0 || l.Legs > 1 && leg >= 1 && leg <= l.Legs)
		if there && to != l.Length || !there && to != 0 {
			t.Fatalf("%+v: leg %d is loaded up to %v", l, leg, to)
		}
	}
}
