package acquire

import (
	"math"
	"testing"

	"thimbled/peak"
)

func TestScaling(t *testing.T) {
	kN, t10 := 1000.0, 9806.65
	for _, c := range []struct {
		raw, scale, offset, factor float64
		unit                       string
		want                       int64
		quality                    peak.Quality
	}{
		{12.5, 1, 0, kN, "", 12_500_000, peak.Good},
		{float64(float32(12.34)), 1, 0, kN, "", 12_340_000, peak.Good}, // nearest millinewton
		{8000, 0.01, 0, kN, "", 80_000_000, peak.Good},
		{1250, 0.01, -2.5, kN, "", 10_000_000, peak.Good},
		{-3, 1, 0, 0.001, "", -3, peak.Good},
		{0.0005, 1, 0, 1, "", 1, peak.Good}, // half away from zero
		{-0.0005, 1, 0, 1, "", -1, peak.Good},
		{0.00049, 1, 0, 1, "", 0, peak.Good},
		{math.Copysign(0, -1), 1, 0, 1, "", 0, peak.Good},
		{1, 1, 0, t10, "", 9_806_650, peak.Good},
		{1, 1, 0, kN, "t", 9_806_650, peak.Good}, // what is printed counts
		{1, 1, 0, kN, "KN", 1_000_000, peak.Good},
		{1, 1, 0, kN, "KG", 9_807, peak.Good},
		{1, 1, 0, kN, "MN", 1_000_000_000, peak.Good},
		{1, 1, 0, kN, "mN", 0, peak.Garbled}, // not a meganewton
		{1, 1, 0, kN, "bar", 0, peak.Garbled},
		{1, 2, 0, kN, "kN", 2_000_000, peak.Good},
		{1, 2, 0, kN, "t", 0, peak.Garbled}, // the scale was made for kN
		{1e12, 1, 0, 1, "", 1e15, peak.Good},
		{1.1e12, 1, 0, 1, "", 0, peak.OverRange},
		{-1.1e12, 1, 0, 1, "", 0, peak.UnderRange},
		{1e300, 1e300, 0, kN, "", 0, peak.OverRange},
		{-1e300, 1e300, 0, kN, "", 0, peak.UnderRange},
	} {
		in := Instrument{Measures: Force, Scale: c.scale, Offset: c.offset, UnitFactor: c.factor}
		r := reading{raw: c.raw, unit: c.unit}
		if got := in.steps(&r); got != c.want || r.quality != c.quality || (r.why == "") != (r.quality == peak.Good) {
			t.Errorf("%+v: %d %q (%s)", c, got, r.quality, r.why)
		}
	}
}

func TestPlausibleRange(t *testing.T) {
	in := Instrument{Measures: Pressure, Scale: 1, UnitFactor: 1e5, Lowest: peak.Known[int64](-1e5), Highest: peak.Known[int64](400e5)}
	for bar, want := range map[float64]peak.Quality{-1: peak.Good, -1.001: peak.UnderRange, 400: peak.Good, 400.1: peak.OverRange, 0: peak.Good} {
		r := reading{raw: bar}
		got := in.steps(&r)
		if r.quality != want || want == peak.Good && got != int64(math.Round(bar*1e5)) {
			t.Errorf("%v bar: %d %q, want %q", bar, got, r.quality, want)
		}
	}
}

// Sizes in SI units: NIST SP 811, from memory.
func TestPrintedUnits(t *testing.T) {
	for name, want := range map[string]float64{"N": 1, "kN": 1e3, "kgf": 9.80665, "lbf": 4.4482216152605, "LBF": 4.4482216152605, "tf": 9806.65} {
		if got, ok := sizeOf(name, Force); !ok || got != want {
			t.Errorf("%s: %v, %v", name, got, ok)
		}
	}
	for name, want := range map[string]float64{"Pa": 1, "bar": 1e5, "BAR": 1e5, "MPa": 1e6, "PSI": 6894.757293168361} {
		if got, ok := sizeOf(name, Pressure); !ok || math.Abs(got/want-1) > 1e-15 {
			t.Errorf("%s: %v, %v", name, got, ok)
		}
	}
}

// A curve's forces are worked out by hand; beyond the raw values that it is for it says
// nothing, although it comes back to plausible forces there.
func TestCurve(t *testing.T) {
	arch := Curve{Coefficients: []float64{0, 100, -10}, From: -1, To: 3} // turns at 5, is 0 again at 10
	down := Curve{Coefficients: []float64{250, -0.5}, From: -50, To: 550}
	for _, c := range []struct {
		curve   Curve
		raw     float64
		want    peak.Force
		quality peak.Quality
	}{
		{arch, 0, 0, peak.Good},
		{arch, 1.5, 127_500_000, peak.Good},
		{arch, -1, -110_000_000, peak.Good},
		{arch, 3, 210_000_000, peak.Good},
		{arch, 3.01, 0, peak.OverRange},
		{arch, 9.9, 0, peak.OverRange}, // would be 9.9 kN
		{arch, -1.01, 0, peak.UnderRange},
		{arch, math.NaN(), 0, peak.OverRange},
		{arch, math.Inf(1), 0, peak.OverRange},
		{arch, 2.9, 0, peak.OverRange}, // 205.9 kN is above what is plausible
		{down, 500, 0, peak.Good},
		{down, 100.5, 199_750_000, peak.Good},
		{down, 551, 0, peak.UnderRange},
		{down, -51, 0, peak.OverRange},
		{Curve{Coefficients: []float64{0.5, 1.5, 2.5, 3.5}, From: -9, To: 9}, 0.25, 1_085_938, peak.Good}, // 1085937.5 rounded
	} {
		in := Instrument{
			Measures: Force, UnitFactor: 1000, Scale: 1, Curve: peak.Known(c.curve),
			Lowest: peak.Known[int64](-120e6), Highest: peak.Known[int64](205e6),
		}
		if c.raw == 3 {
			in.Highest.Value = 210e6
		}
		got, quality := in.Force(c.raw)
		if got != c.want || quality != c.quality {
			t.Errorf("%v of %v: %v %q, want %v %q", c.raw, c.curve, got, quality, c.want, c.quality)
		}
	}
}

// What a sample has is what Force says, for every way of scaling.
func TestForceIsWhatASampleHas(t *testing.T) {
	for _, in := range []Instrument{
		{Scale: 1, UnitFactor: 1000},
		{Scale: 0.0125, Offset: -3, UnitFactor: 4.4482216152605},
		{Scale: 1, UnitFactor: 1000, Curve: peak.Known(Curve{Coefficients: []float64{-0.85, 1365.7, 8.4}, From: -1, To: 3})},
	} {
		for raw := -1.5; raw < 4; raw += 0.0137 {
			var s Sample
			r := reading{raw: raw}
			in.fill(&s, &r)
			if f, q := in.Force(raw); f != s.Force || q != r.quality {
				t.Fatalf("%v of %+v: %v %q, a sample has %v %q", raw, in, f, q, s.Force, r.quality)
			}
			if in.Scaled() && in.Convert(raw) == raw {
				t.Fatalf("%v of %+v is not scaled", raw, in)
			}
		}
	}
}

func TestCurveIsForOneUnit(t *testing.T) {
	in := Instrument{Measures: Force, Scale: 1, UnitFactor: 1000, Curve: peak.Known(Curve{Coefficients: []float64{0, 1}, From: -1, To: 1})}
	r := reading{raw: 0.5, unit: "t"}
	if in.steps(&r); r.quality != peak.Garbled {
		t.Errorf("another unit gives %q", r.quality)
	}
}

func TestUselessCurvesAreRefused(t *testing.T) {
	for name, c := range map[string]Curve{
		"nothing":   {},
		"constant":  {Coefficients: []float64{1}, From: 0, To: 1},
		"no range":  {Coefficients: []float64{0, 1}},
		"no number": {Coefficients: []float64{0, math.NaN()}, From: 0, To: 1},
	} {
		in := Instrument{Every: 1, Timeout: 1, Scale: 1, UnitFactor: 1, Curve: peak.Known(c)}
		if err := in.check(TCP); err == nil {
			t.Errorf("%s: a curve %+v was taken", name, c)
		}
	}
}
