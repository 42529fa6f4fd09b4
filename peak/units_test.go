package peak

import (
	"encoding/csv"
	"math/big"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
)

// Factors: NIST SP 811 and NIST Handbook 44 Appendix C.
func TestUnitsArePublishedSizes(t *testing.T) {
	ours := map[string]struct {
		units []unit
		names string // of units that have this size
		times string // of the row's unit to make ours, if they are not the same
		base  int64  // steps in one SI unit
	}{
		"lbf":                {forceUnits, "lbf lb", "1", 1000},
		"ozf":                {forceUnits, "lbf", "16", 1000},
		"kip":                {forceUnits, "kip", "1", 1000},
		"tonf_short_2000lbf": {forceUnits, "short-ton", "1", 1000},
		"tonf_long_2240lbf":  {forceUnits, "long-ton", "1", 1000},
		"kgf":                {forceUnits, "kgf kg", "1", 1000},
		"tonne_force":        {forceUnits, "tf t", "1", 1000},
		"daN":                {forceUnits, "kN", "100", 1000},
		"kN":                 {forceUnits, "kN", "1", 1000},
		// A mass counts as a force at standard gravity.
		"lb":          {forceUnits, "lb", "9.80665", 1000},
		"short_ton":   {forceUnits, "short-ton", "9.80665", 1000},
		"long_ton":    {forceUnits, "long-ton", "9.80665", 1000},
		"tonne":       {forceUnits, "t", "9.80665", 1000},
		"g_n":         {forceUnits, "kg", "1", 1000},
		"psi":         {pressureUnits, "psi", "1", 1},
		"ksi":         {pressureUnits, "psi", "1/1000", 1},
		"bar":         {pressureUnits, "bar", "1", 1},
		"MPa":         {pressureUnits, "MPa", "1", 1},
		"kgf_per_cm2": {forceUnits, "kgf", "1/10000", 1000},
		"in":          {lengthUnits, "in", "1", 1_000_000},
		"ft":          {lengthUnits, "ft", "1", 1_000_000},
	}
	// in2 is no unit of ours, but the psi is made with it; the atmosphere is
	// neither ours nor behind one of ours.
	others := map[string]bool{"in2": true, "atm": true}
	rows := unitRows(t, "testdata/units.csv")
	for _, row := range rows {
		name, published := row[0], rat(t, row[2])
		if others[name] {
			if _, err := ParsePressure("1 " + name); err == nil {
				t.Errorf("%s is accepted as a pressure", name)
			}
			delete(others, name)
			continue
		}
		o, ok := ours[name]
		if !ok {
			t.Errorf("no check for the published unit %s", name)
		}
		delete(ours, name)
		want := published.Mul(published, rat(t, o.times))
		for n := range strings.FieldsSeq(o.names) {
			got := sizeOf(t, o.units, n, o.base)
			if !agree(got, want, row[3] == "exact") {
				t.Errorf("%s: one %s is %s SI units, want %s", name, n, got.FloatString(18), want.FloatString(18))
			}
		}
	}
	if len(ours)+len(others) > 0 {
		t.Errorf("checks without a published row: %v %v", ours, others)
	}
}

// agree says whether two sizes are equal, or, where the published one does not
// terminate, the same to the 18 decimals that are printed.
func agree(got, want *big.Rat, exact bool) bool {
	if exact {
		return got.Cmp(want) == 0
	}
	return new(big.Rat).Abs(new(big.Rat).Sub(got, want)).Cmp(big.NewRat(1, 1_000_000_000_000_000)) < 0
}

// Conversions: NIST SP 811.
func TestConversionsArePublishedOnes(t *testing.T) {
	names := strings.NewReplacer("t(force)", "tf", "tonne-force", "tf", "short tonf", "short-ton")
	for _, row := range unitRows(t, "testdata/units_vectors.csv") {
		from, to, published := names.Replace(row[0]), names.Replace(row[1]), row[2]
		number, name := cutNumber(from)
		units, base := forceUnits, int64(1000)
		if _, err := findUnit(strings.TrimSpace(name), units); err != nil {
			units, base = pressureUnits, 1
		}
		exact := rat(t, number)
		exact.Mul(exact, sizeOf(t, units, strings.TrimSpace(name), base))
		exact.Quo(exact, sizeOf(t, units, to, base))
		// The last published decimal may be rounded either way at a tie.
		off := new(big.Rat).Sub(exact, rat(t, published))
		if off.Abs(off).Cmp(big.NewRat(1, 2_000_000_000_000)) > 0 {
			t.Errorf("%s = %s %s, want %s", from, exact.FloatString(18), to, published)
		}
		a, err := parseQuantity(from, units)
		if err != nil {
			t.Errorf("parse %q: %v", from, err)
		}
		// Twelve decimals of the larger unit are finer than a step, so both
		// ways of writing the quantity are the same number of steps.
		if b, err := parseQuantity(published+" "+to, units); err != nil || a != b {
			t.Errorf("%q is %d steps, %s %s is %d, %v", from, a, published, to, b, err)
		}
	}
}

func TestParseForce(t *testing.T) {
	for _, c := range []struct {
		in   string
		want Force
	}{
		{"250 kN", 250 * Kilonewton},
		{"250kN", 250 * Kilonewton},
		{" -25.5 kN ", -25_500 * Newton},
		{"+1 N", Newton},
		{".5 N", 500},
		{"5. N", 5000},
		{"2.5e1 kN", 25 * Kilonewton},
		{"1E-3 N", 1},
		{"1 lbf", 4448},
		{"1 lb", 4448},
		{"1 t", 9_806_650},
		{"1 MN", Meganewton},
		{"100\u00a0kN", 100 * Kilonewton},
		{"0 N", 0},
		// Rounding, half away from zero.
		{"0.0005 N", 1},
		{"-0.0005 N", -1},
		{"0.00049999999999999999999999 N", 0},
		{"9223372036854775.807 N", 1<<63 - 1},
	} {
		got, err := ParseForce(c.in)
		if err != nil || got != c.want {
			t.Errorf("ParseForce(%q) = %d, %v, want %d", c.in, got, err, c.want)
		}
	}
}

// What is wrong and what would be right is in the error.
func TestUnitErrorsHelp(t *testing.T) {
	force := func(s string) error { _, err := ParseForce(s); return err }
	pressure := func(s string) error { _, err := ParsePressure(s); return err }
	length := func(s string) error { _, err := ParseLength(s); return err }
	ratio := func(s string) error { _, err := ParseRatio(s); return err }
	duration := func(s string) error { _, err := ParseDuration(s); return err }
	for _, c := range []struct {
		parse    func(string) error
		in, want string
	}{
		{force, "250", `"250" has no unit: write one of N, kN, MN, lbf, kip, kgf, tf, kg, t, lb, short-ton, long-ton behind the number`},
		{force, "2,5 kN", "write a decimal point"},
		{force, "1,000 N", "no thousands separator"},
		{force, "250 KN", "did you mean kN?"},
		{force, "250 n", "did you mean N?"},
		{force, "25 ton", "did you mean t (1000 kg), short-ton (2000 lb) or long-ton (2240 lb)?"},
		{force, "25 tonnes", "did you mean t?"},
		{force, "25 LBS", "did you mean lb?"},
		{force, "25 bar", `unknown unit "bar": write one of N,`},
		{force, "kN", "does not begin with a number"},
		{force, "", "does not begin with a number"},
		{force, "--1 N", "does not begin with a number"},
		{force, ". N", "does not begin with a number"},
		{force, "inf N", "does not begin with a number"},
		{force, "NaN N", "does not begin with a number"},
		{force, "1/3 N", "unknown unit"},
		{force, "0x10 N", "unknown unit"},
		{force, "1_000 N", "unknown unit"},
		{force, "1 000 N", "unknown unit"},
		{force, "9223372036854775.808 N", "too large"},
		{force, "-9223372036854775.808 N", "too large"},
		{force, "1e30 MN", "too large"},
		{force, "1e31 N", "too large or too finely written"},
		{force, "1e-99999999999999999999 N", "too large or too finely written"},
		{force, "1." + strings.Repeat("0", 99) + " N", "too large or too finely written"},
		{force, strings.Repeat("x", 99), `"` + strings.Repeat("x", 40) + `..." does not`},
		{pressure, "350", "has no unit: write one of Pa, kPa, MPa, bar, psi"},
		{pressure, "35 mpa", "did you mean MPa?"},
		{pressure, "350 Bar", "did you mean bar?"},
		{pressure, "350 kN", "unknown unit"},
		{length, "8", "has no unit: write one of m, mm, ft, in"},
		{length, "26 feet", "did you mean ft?"},
		{ratio, "2", "has no unit: write %"},
		{ratio, "2 percent", "did you mean %?"},
		{duration, "20", "has no unit: write one of ns, us, ms, s, m (minute), h"},
		{duration, "0", "has no unit"},
		{duration, "1,5 s", "write a decimal point"},
		{duration, "1 5 s", "is no time"},
		{duration, "20 MS", "is no time"},
		{duration, "ms", "does not begin with a number"},
		{duration, "", "does not begin with a number"},
		{duration, "300 m 9999999 h", "is no time"},
	} {
		err := c.parse(c.in)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: error %v does not say %q", c.in, err, c.want)
		}
	}
}

func TestParseOtherQuantities(t *testing.T) {
	if p, err := ParsePressure("700 bar"); err != nil || p != 700*Bar {
		t.Errorf("700 bar = %v, %v", p, err)
	}
	if p, err := ParsePressure("3000 psi"); err != nil || p != 20_684_272 {
		t.Errorf("3000 psi = %v, %v", p, err)
	}
	if l, err := ParseLength("8 m"); err != nil || l != 8*Metre || l.String() != "8 m" {
		t.Errorf("8 m = %v, %v", l, err)
	}
	if l, err := ParseLength("26 ft"); err != nil || l.String() != "7.9248 m" {
		t.Errorf("26 ft = %v, %v", l, err)
	}
	if r, err := ParseRatio("2.5 %"); err != nil || r != 25_000 {
		t.Errorf("2.5 %% = %v, %v", r, err)
	}
	if r, err := ParseRatio("2%"); err != nil || r != 2*Percent {
		t.Errorf("2%% = %v, %v", r, err)
	}
}

func TestParseDuration(t *testing.T) {
	for in, want := range map[string]time.Duration{
		"20 ms": 20 * time.Millisecond, "20ms": 20 * time.Millisecond, "1.5 s": 1500 * time.Millisecond,
		"1 m 30 s": 90 * time.Second, "1m30s": 90 * time.Second, "0 s": 0, "-5 ns": -5, " 2 h ": 2 * time.Hour,
		"3 µs": 3 * time.Microsecond, "3 us": 3 * time.Microsecond,
	} {
		if got, err := ParseDuration(in); err != nil || got != want {
			t.Errorf("ParseDuration(%q) = %v, %v, want %v", in, got, err, want)
		}
	}
}

func TestShowRoundsHalfAwayFromZero(t *testing.T) {
	for _, c := range []struct {
		unit     ForceUnit
		force    Force
		decimals int
		want     string
	}{
		{UnitKN, 100_012_500, 2, "100.01 kN"},
		{UnitKN, 100_015_000, 2, "100.02 kN"}, // a tie
		{UnitKN, -100_015_000, 2, "-100.02 kN"},
		{UnitKN, 2_500, 0, "0 kN"},
		{UnitKN, -2_500, 0, "0 kN"}, // no minus before nothing
		{UnitN, 1, 3, "0.001 N"},
		{UnitN, -1, 3, "-0.001 N"},
		{UnitN, 500, 0, "1 N"},
		{UnitN, 5_000, -1, "5 N"},
		{UnitT, 250 * Kilonewton, 3, "25.493 t"},
		{UnitLbf, 4448, 3, "1.000 lbf"},
		{UnitN, -1 << 63, 0, "-9223372036854776 N"},
		{UnitMN, 1<<63 - 1, 2, "9223372036.85 MN"},
		{ForceUnit(99), 1000, 0, "1 N"},
	} {
		if got := c.unit.Show(c.force, c.decimals); got != c.want {
			t.Errorf("%d mN in %s with %d decimals is %q, want %q", c.force, c.unit, c.decimals, got, c.want)
		}
	}
	if got := UnitPsi.Show(20_684_272, 1); got != "3000.0 psi" {
		t.Errorf("3000 psi shows as %q", got)
	}
	if got := UnitBar.Number(-150_000, 1); got != "-1.5" {
		t.Errorf("-1.5 bar shows as %q", got)
	}
}

func TestDecimalsShowTheStep(t *testing.T) {
	for _, c := range []struct {
		unit ForceUnit
		step Force
		want int
	}{
		{UnitKN, 50 * Newton, 2}, {UnitKN, 100 * Newton, 1}, {UnitKN, Kilonewton, 0}, {UnitN, 50 * Newton, 0},
		{UnitN, 1, 3}, {UnitMN, 1, 9}, {UnitKN, -50 * Newton, 2}, {UnitKN, 0, 9}, {UnitT, 98_067, 2},
	} {
		if got := c.unit.Decimals(c.step); got != c.want {
			t.Errorf("a step of %s needs %d decimals in %s, want %d", c.step, got, c.unit, c.want)
		}
	}
}

func TestUnitsAreFoundByTheirName(t *testing.T) {
	for i, u := range forceUnits {
		got, err := ParseForceUnit(u.name)
		if err != nil || got != ForceUnit(i) || got.String() != u.name {
			t.Errorf("ParseForceUnit(%q) = %v, %v", u.name, got, err)
		}
		one, err := ParseForce("1000000 " + u.name)
		if err != nil || float64(one)/1e9 != float64(int64(got.Newtons()*1e9+0.5))/1e9 {
			t.Errorf("a million %s is %v, but one is %v N: %v", u.name, one, got.Newtons(), err)
		}
	}
	for i, u := range pressureUnits {
		got, err := ParsePressureUnit(u.name)
		if err != nil || got != PressureUnit(i) || got.String() != u.name {
			t.Errorf("ParsePressureUnit(%q) = %v, %v", u.name, got, err)
		}
	}
	if got := UnitPsi.Pascals(); got != 6894.757293168361336723 {
		t.Errorf("one psi is %v Pa", got)
	}
	if _, err := ParseForceUnit("psi"); err == nil {
		t.Error("psi is taken for a force")
	}
	if _, err := ParsePressureUnit("kN"); err == nil {
		t.Error("kN is taken for a pressure")
	}
}

var decimalPattern = regexp.MustCompile(`^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?`)

// What is parsed agrees with exact fractions to half a millinewton, and what
// was exact in newtons comes back from String.
func FuzzParseForce(f *testing.F) {
	for _, s := range []string{"250 kN", "-0.0005 N", "1e3 lbf", "2,5 kN", "1 ton", "99999999999999 MN", ". N", "5", "1 short-ton"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseForce(s)
		if err != nil {
			if got != 0 || err.Error() == "" {
				t.Fatalf("ParseForce(%q) = %d with error %q", s, got, err)
			}
			return
		}
		text := strings.TrimSpace(s)
		number := decimalPattern.FindString(text)
		u, err := ParseForceUnit(strings.TrimSpace(text[len(number):]))
		if err != nil {
			t.Fatalf("%q was accepted: %v", s, err)
		}
		exact := rat(t, number)
		exact.Mul(exact, big.NewRat(u.unit().num, u.unit().den))
		off := exact.Sub(exact, new(big.Rat).SetInt64(int64(got)))
		if off.Abs(off).Cmp(big.NewRat(1, 2)) > 0 {
			t.Fatalf("%q = %d mN is off by %s", s, got, off.FloatString(6))
		}
		if back, err := ParseForce(got.String()); err != nil || back != got {
			t.Fatalf("%q = %s reads back as %s, %v", s, got, back, err)
		}
	})
}

// A force shown with enough decimals reads back as itself in every unit.
func FuzzShowReadsBack(f *testing.F) {
	f.Add(int64(100_012_500), uint8(UnitKN))
	f.Add(int64(-1), uint8(UnitLongTon))
	f.Add(int64(1<<62), uint8(UnitLbf))
	f.Fuzz(func(t *testing.T, n int64, u uint8) {
		unit := ForceUnit(u % uint8(len(forceUnits)))
		shown := unit.Show(Force(n), 15)
		if n == -1<<63 {
			return // one beyond what may be written
		}
		if back, err := ParseForce(shown); err != nil || back != Force(n) {
			t.Fatalf("%d mN shows as %q and reads back as %d, %v", n, shown, back, err)
		}
	})
}

func FuzzParseDuration(f *testing.F) {
	for _, s := range []string{"20 ms", "1 m 30 s", "1,5 s", "0", "µ", "- 5 s"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseDuration(s)
		if err != nil {
			return
		}
		want, err := time.ParseDuration(strings.Join(strings.Fields(s), ""))
		if err != nil || got != want {
			t.Fatalf("ParseDuration(%q) = %v, time.ParseDuration without spaces %v, %v", s, got, want, err)
		}
	})
}

func sizeOf(t *testing.T, units []unit, name string, base int64) *big.Rat {
	t.Helper()
	i, err := findUnit(name, units)
	if err != nil {
		t.Fatal(err)
	}
	return new(big.Rat).Mul(big.NewRat(units[i].num, units[i].den), big.NewRat(1, base))
}

func rat(t *testing.T, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return r
}

// unitRows returns the rows of a file below its header.
func unitRows(t *testing.T, path string) [][]string {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 10 {
		t.Fatalf("%s has only %d rows", path, len(rows))
	}
	return rows[1:]
}
