package certificate

import (
	"strings"
	"testing"
	"time"

	"thimbled/peak"
)

func spaced(s string) string { return strings.ReplaceAll(s, "\u00a0", " ") }

// The pound-force is 4.4482216152605 N, the foot 0.3048 m, the psi 6894.757 Pa
// (NIST SP 811); a mass weighs 9.80665 N a kilogram.
func TestBothSystemsOfUnits(t *testing.T) {
	force := 100 * peak.Kilonewton
	for _, c := range []struct {
		unit             peak.ForceUnit
		both, show, tiny string
		wll              string
	}{
		{peak.UnitKN, "100.00 kN (22481 lbf)", "100.00 kN", "44.5 N (10.0 lbf)", "100.00 kN (22481 lbf; 10.197 t)"},
		{peak.UnitMN, "0.10000 MN (22481 lbf)", "0.10000 MN", "44.5 N (10.0 lbf)", "0.10000 MN (22481 lbf; 10.197 t)"},
		{peak.UnitLbf, "22481 lbf (100.00 kN)", "22481 lbf", "10.0 lbf (44.5 N)", "22481 lbf (100.00 kN; 10.197 t)"},
		{peak.UnitShortTon, "11.240 short-ton (100.00 kN)", "11.240 short-ton", "10.0 lbf (44.5 N)", "11.240 short-ton (100.00 kN; 10.197 t)"},
		{peak.UnitTf, "10.197 tf (100.00 kN)", "10.197 tf", "4.5 kgf (44.5 N)", "10.197 tf (100.00 kN; 10.197 t)"},
		{peak.UnitT, "10.197 t (100.00 kN)", "10.197 t", "4.5 kgf (44.5 N)", "10.197 t (100.00 kN)"},
	} {
		both := newFigures(Units{Force: c.unit, Both: true}, 50*peak.Newton)
		show := newFigures(Units{Force: c.unit}, 50*peak.Newton)
		if got := spaced(both.force(force)); got != c.both {
			t.Errorf("%v: both are %q, want %q", c.unit, got, c.both)
		}
		if got := spaced(show.force(force)); got != c.show {
			t.Errorf("%v: shown is %q, want %q", c.unit, got, c.show)
		}
		if got := spaced(both.small(44_482 * peak.Millinewton)); got != c.tiny {
			t.Errorf("%v: a small force is %q, want %q", c.unit, got, c.tiny)
		}
		if got := spaced(both.wll(force)); got != c.wll {
			t.Errorf("%v: a WLL is %q, want %q", c.unit, got, c.wll)
		}
	}
	both, show := newFigures(Units{Pressure: peak.UnitBar, Both: true}, 0), newFigures(Units{Pressure: peak.UnitPsi}, 0)
	for got, want := range map[string]string{
		both.pressure(49_300 * peak.Kilopascal / 10): "49.3 bar (715 psi)", show.pressure(6_894_757 * peak.Pascal): "1000 psi",
		both.length(12 * peak.Metre): "12 m (39.37 ft)", both.length(30 * 304_800): "9.144 m (30.00 ft)", show.length(12 * peak.Metre): "12 m",
		show.wll(force): "100000 N (10.197 t)",
	} {
		if spaced(got) != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// Rounding must not make a force look as if it had reached a level, or not
// exceeded it.
func TestRoundingHidesNothing(t *testing.T) {
	f := newFigures(Units{Force: peak.UnitKN}, 0)
	const level = 100 * peak.Kilonewton
	for x, want := range map[peak.Force]string{
		level: "100.00 kN", level - 20*peak.Newton: "99.98 kN", level - peak.Newton: "99.999 kN",
		level + peak.Millinewton: "100.000001 kN", level - peak.Millinewton: "99.999999 kN",
	} {
		if got := spaced(f.force(x, 50*peak.Kilonewton, level)); got != want {
			t.Errorf("%v beside %v is %q, want %q", x, level, got, want)
		}
	}
	for d, want := range map[time.Duration]string{
		19*time.Second + 999_999_999: "19.999 s", 20 * time.Second: "20.000 s", 0: "0.000 s", 1_400_293_333: "1.400 s",
	} {
		if got := spaced(lasted(d)); got != want {
			t.Errorf("a hold of %v is %q, want %q", d, got, want)
		}
	}
	for d, want := range map[time.Duration]string{150_000_001: "0.151 s", 1_600 * time.Millisecond: "1.600 s", 1: "0.001 s"} {
		if got := spaced(missed(d)); got != want {
			t.Errorf("a gap of %v is %q, want %q", d, got, want)
		}
	}
}

func TestMassesAreExplained(t *testing.T) {
	for _, u := range []peak.ForceUnit{peak.UnitKN, peak.UnitLbf, peak.UnitTf, peak.UnitT, peak.UnitKg, peak.UnitLb, peak.UnitShortTon, peak.UnitLongTon} {
		said := strings.Contains(strings.Join(cautions(Units{Force: u}, false), "\n"), "9.80665 m/s²")
		if want := u == peak.UnitT || u == peak.UnitKg || u == peak.UnitLb || u == peak.UnitShortTon || u == peak.UnitLongTon; said != want {
			t.Errorf("%v: standard gravity is told: %v", u, said)
		}
	}
}
