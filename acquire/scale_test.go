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
