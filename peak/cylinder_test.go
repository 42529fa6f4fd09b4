package peak_test

import (
	"encoding/csv"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"thimbled/peak"
)

// TestPublishedCylinders compares push and pull with the published examples of
// testdata/hydraulic_examples.csv, each to the digit that is printed. A pressure in psi is
// first rounded to the pascal, which is worth up to half a pascal on the area.
func TestPublishedCylinders(t *testing.T) {
	f, err := os.Open("testdata/hydraulic_examples.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 7 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows[1:] {
		cell := map[string]string{}
		for i, name := range rows[0] {
			cell[name] = row[i]
		}
		c := peak.Cylinder{Bore: diameter(t, cell["bore"]), Rod: diameter(t, cell["rod"])}
		p, err := peak.ParsePressure(cell["pressure"])
		if err != nil {
			t.Fatal(err)
		}
		rounded := 0.0
		if strings.HasSuffix(cell["pressure"], "psi") {
			rounded = 0.5
		}
		for column, got := range map[string]peak.Force{"push": c.Push(p), "pull": c.Pull(p)} {
			area := cell["bore_area_cm2"]
			if column == "pull" {
				area = cell["annulus_area_cm2"]
			}
			within := rounded*decimal(t, area)*1e-4 + 0.0006 // N
			if off := float64(got)/1000 - decimal(t, cell[column+"_kN"])*1000; math.Abs(off) > within {
				t.Errorf("%s of %v: %v, off by %v N, allowed %v N", column, row[:3], got, off, within)
			}
			lbf := peak.UnitLbf.Newtons()
			if off := float64(got)/1000 - decimal(t, cell[column+"_lbf"])*lbf; math.Abs(off) > within+0.0006*lbf {
				t.Errorf("%s of %v: %v, off by %v N from the pounds", column, row[:3], got, off)
			}
		}
		for name, friction := range map[string]peak.Ratio{"pull_kN_at_eff_0.90": 10 * peak.Percent, "pull_kN_at_eff_0.95": 5 * peak.Percent} {
			c.Friction = friction
			band := c.Band(p, peak.Rising)
			if off := float64(band.Low)/1000 - decimal(t, cell[name])*1000; math.Abs(off) > rounded*0.06+0.002 || band.High != c.Pull(p) {
				t.Errorf("%s of %v: %v, off by %v N", name, row[:3], band, off)
			}
		}
	}
}

func diameter(t *testing.T, s string) peak.Length {
	t.Helper()
	l, err := peak.ParseLength(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func decimal(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// TestHydraulicForceIsExact compares with rational arithmetic on a pi of 50 digits (OEIS
// A000796), up to the largest cylinder and pressure that a config may have.
func TestHydraulicForceIsExact(t *testing.T) {
	pi, _ := new(big.Rat).SetString("3.14159265358979323846264338327950288419716939937510")
	chance := rand.New(rand.NewPCG(5, 6))
	for range 5000 {
		bore := peak.Length(chance.Int64N(int64(2*peak.Metre)) + 1)
		rod := peak.Length(chance.Int64N(int64(bore)))
		p := peak.Pressure(chance.Int64N(1e9 + 1))
		c := peak.Cylinder{Bore: bore, Rod: rod}
		squares := new(big.Int).Sub(square(bore), square(rod))
		// um² x Pa is 1e-12 N, so 1e-9 mN.
		want := new(big.Rat).Mul(new(big.Rat).SetFrac(squares, big.NewInt(4_000_000_000)), pi)
		want.Mul(want, new(big.Rat).SetInt64(int64(p)))
		off, _ := new(big.Rat).Sub(new(big.Rat).SetInt64(int64(c.Pull(p))), want).Float64()
		if allowed := 0.5 + float64(p)*0.5e-12*1.001; math.Abs(off) > allowed {
			t.Fatalf("%v, %v at %v: off by %v mN", bore, rod, p, off)
		}
	}
	if got := (peak.Cylinder{Bore: peak.Metre}).Pull(-5 * peak.Bar); got != 0 {
		t.Errorf("a vacuum pulls with %v", got)
	}
}

func square(l peak.Length) *big.Int {
	return new(big.Int).Mul(big.NewInt(int64(l)), big.NewInt(int64(l)))
}

// TestBand: friction takes from the load while it rises and holds it while it falls; a
// standing piston may be anywhere between.
func TestBand(t *testing.T) {
	c := peak.Cylinder{
		Bore: 200 * peak.Millimetre, Rod: 110 * peak.Millimetre, Friction: 10 * peak.Percent,
		SealFriction: 2 * peak.Kilonewton, ReadingError: peak.Kilonewton,
	}
	full := c.Pull(50 * peak.Bar)
	friction := (full+9)/10 + 2*peak.Kilonewton
	low, high := full-friction-peak.Kilonewton, full+friction+peak.Kilonewton
	for motion, want := range map[peak.Motion]peak.Band{
		peak.Rising: {Low: low, High: full + peak.Kilonewton}, peak.Falling: {Low: full - peak.Kilonewton, High: high},
		peak.Standing: {Low: low, High: high},
	} {
		if got := c.Band(50*peak.Bar, motion); got != want {
			t.Errorf("motion %d: %v, want %v", motion, got, want)
		}
	}
	b := peak.Band{Low: 10, High: 20}
	for _, in := range [][2]peak.Force{{10, 10}, {20, 25}, {0, 10}, {0, 30}, {12, 13}} {
		if !b.Contains(in[0], in[1]) {
			t.Errorf("%v is outside", in)
		}
	}
	if b.Contains(0, 9) || b.Contains(21, 30) {
		t.Error("what is outside counts as inside")
	}
}
