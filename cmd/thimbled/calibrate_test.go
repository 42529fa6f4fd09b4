package main_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"thimbled/config"
)

const (
	pontius = "../../peak/calibrate/testdata/pontius.csv"
	loft    = "../../testdata/calibrate/dock-3-cell.csv"
)

// calibratedFit and calibration are what a program reads of the answer.
type calibratedFit struct {
	Coefficients []float64
	Deviations   []float64 `json:"standard_deviations"`
	ResidualSD   float64   `json:"residual_sd"`
	RSquared     float64   `json:"r_squared"`
	DF           int       `json:"degrees_of_freedom"`
	Residuals    []float64
	Lack         *struct {
		F, P     float64
		DF1, DF2 int
	} `json:"lack_of_fit"`
}

type classLimits struct {
	Factor  float64 `json:"lower_limit_factor_newtons"`
	ClassA  float64 `json:"class_a_from_newtons"`
	ClassAA float64 `json:"class_aa_from_newtons"`
}

type calibration struct {
	Degree            int
	Response, Inverse calibratedFit
	E74               struct {
		Signal float64 `json:"lower_limit_factor"`
		classLimits
		Inverse classLimits
	}
	Scale struct {
		Unit         string
		Coefficients []float64
	} `json:"load_scale"`
	Notes []string
}

func calibrated(t *testing.T, args ...string) calibration {
	t.Helper()
	status, out, errs := call(t, append([]string{"calibrate", "--json"}, args...)...)
	var c calibration
	if err := json.Unmarshal([]byte(out), &c); status != 0 || err != nil {
		t.Fatalf("%q: status %d, %v, %s", args, status, err, errs)
	}
	return c
}

// The certified values of Pontius (NIST StRD) and the limits of ASTM E74 that were worked
// out from them exactly.
func TestCalibrateAnswersPontius(t *testing.T) {
	c := calibrated(t, pontius, "--degree", "2")
	for _, x := range []struct {
		what      string
		got, want float64
	}{
		{"B0", c.Response.Coefficients[0], 0.673565789473684e-03},
		{"B1", c.Response.Coefficients[1], 0.732059160401003e-06},
		{"B2", c.Response.Coefficients[2], -0.316081871345029e-14},
		{"sd(B0)", c.Response.Deviations[0], 0.107938612033077e-03},
		{"sd(B1)", c.Response.Deviations[1], 0.157817399981659e-09},
		{"sd(B2)", c.Response.Deviations[2], 0.486652849992036e-16},
		{"residual SD", c.Response.ResidualSD, 0.205177424076185e-03},
		{"R^2", c.Response.RSquared, 0.999999900178537},
		{"F", c.Response.Lack.F, 0.8107239003},
		{"inverse 0", c.Inverse.Coefficients[0], -8.512098007106220e+2},
		{"inverse 1", c.Inverse.Coefficients[1], 1.365678854943493e+6},
		{"inverse 2", c.Inverse.Coefficients[2], 8.394392804252955e+3},
		{"inverse SD", c.Inverse.ResidualSD, 281.2968996979369},
		{"lower limit factor", c.E74.Signal, 4.924258177828431e-4},
		{"as a force", c.E74.Factor, 676.548996713671},
		{"class A", c.E74.ClassA, 270619.5987},
		{"class AA", c.E74.ClassAA, 1353097.9934},
		{"of the inverse", c.E74.Inverse.Factor, 675.1125592750486},
		{"class A of it", c.E74.Inverse.ClassA, 270045.0237},
		{"class AA of it", c.E74.Inverse.ClassAA, 1350225.1186},
		{"the scale in kN", c.Scale.Coefficients[1], 1.365678854943493e+3},
	} {
		if math.Abs(x.got/x.want-1) > 1e-9 {
			t.Errorf("%s is %v, want %v", x.what, x.got, x.want)
		}
	}
	if c.Degree != 2 || c.Response.DF != 37 || len(c.Response.Residuals) != 40 || c.Response.Lack.DF1 != 17 || c.Response.Lack.DF2 != 20 || c.Scale.Unit != "kN" {
		t.Errorf("answer %+v", c)
	}
}

func TestCalibrateTellsPeople(t *testing.T) {
	status, out, errs := call(t, "calibrate", "--degree=2", pontius, "--unit", "kN")
	if status != 0 || errs != "" {
		t.Fatalf("status %d: %s", status, errs)
	}
	for _, want := range []string{
		"40 readings at 20 forces from 150 kN to 3000 kN, signal from 0.11019 to 2.16844; degree 2",
		"0.000492426, 0.676549 kN", "270.62 kN", "1353.1 kN", "F(17, 20) = 0.8107", "0.21956  300         299.4019  +0.598", "[load.scale]\ncoefficients = [-0.85120980",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
}

func TestCalibrateRefuses(t *testing.T) {
	for text, c := range map[string]struct {
		args   []string
		status int
		says   string
	}{
		"raw,load\n1,2\n3,4\n":                   {nil, 1, "no: fit the signal by the force: too few readings: degree 2 needs at least 4, there are 2"},
		"raw,load\n1,5\n2,5\n3,5\n":              {[]string{"--degree", "1"}, 1, "all values are the same"},
		"raw,load\n1,5\n2,6\n3,7\n4,x\n,8\n":     {nil, 74, "line 5: load \"x\" is not a number\nline 6: raw \"\""},
		"x,load\n":                               {nil, 74, "no column with the signal"},
		"raw,load\n0,0\n1,1\n2,2\n3,3\n":         {[]string{"--degree", "4"}, 2, "--degree: the degree must be 1, 2 or 3"},
		"raw,load\n0,0\n1,1\n2,2\n4,4\n":         {[]string{"--unit", "bar"}, 2, "--unit: unknown unit"},
		"y,x\n0,0\n1,10\n1.8,20\n2.1,30\n2,40\n": {nil, 1, "the curve turns at"},
	} {
		path := filepath.Join(t.TempDir(), "readings.csv")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		status, out, errs := call(t, append([]string{"calibrate", path}, c.args...)...)
		if status != c.status || !strings.Contains(out+errs, c.says) {
			t.Errorf("%q: status %d, %s%s", text, status, out, errs)
		}
		if status != 1 {
			continue
		}
		status, out, errs = call(t, append([]string{"calibrate", "--json", path}, c.args...)...)
		var answer struct{ Refused string }
		if err := json.Unmarshal([]byte(out), &answer); status != 1 || err != nil || !strings.Contains("no: "+answer.Refused, c.says) || errs != "" {
			t.Errorf("%q: status %d, %v, %s%s", text, status, err, out, errs)
		}
	}
	for _, args := range [][]string{{"calibrate"}, {"calibrate", pontius, loft}} {
		if status, _, errs := call(t, args...); status != 2 || !strings.Contains(errs, "need one CSV file") {
			t.Errorf("%q: status %d, %s", args, status, errs)
		}
	}
	if status, _, errs := call(t, "calibrate", "none.csv"); status != 74 || !strings.Contains(errs, "none.csv") {
		t.Errorf("a file that is not there: status %d, %s", status, errs)
	}
}

// The section that calibrate prints goes into a config as it is, and the config's forces
// are then those of the curve, to a millinewton.
func TestCalibratedScaleGoesIntoTheConfig(t *testing.T) {
	_, out, _ := call(t, "calibrate", loft)
	_, section, found := strings.Cut(out, "[load.scale]")
	if !found {
		t.Fatalf("no section in:\n%s", out)
	}
	path := curvedConfig(t, "[load.scale]"+section)
	status, checked, errs := call(t, "check", "--config", path)
	if status != 0 || !strings.Contains(checked, "A raw value counts as -0.") {
		t.Fatalf("status %d: %s%s", status, checked, errs)
	}
	cfg, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	fit := calibrated(t, loft)
	for raw := 0.0; raw < 2; raw += 0.01 {
		b := fit.Inverse.Coefficients
		want := b[0] + b[1]*raw + b[2]*raw*raw
		if got := 1000 * cfg.Load.Curve.Value.Value(raw); math.Abs(got-want) > 1e-3 {
			t.Errorf("%v comes to %v N, want %v", raw, got, want)
		}
	}
	// what it was made of: -0.4 + 124.6 s + 0.18 s^2 kN, with a noise of 15 N
	for raw, made := range map[float64]float64{0.5: 61.945, 1: 124.38, 1.9: 236.9898} {
		if got := cfg.Load.Curve.Value.Value(raw); math.Abs(got-made) > 0.020 {
			t.Errorf("%v comes to %v kN, made of %v", raw, got, made)
		}
	}
}

// curvedConfig is the example's bench with another way to make forces.
func curvedConfig(t *testing.T, section string) string {
	t.Helper()
	text, err := os.ReadFile(dock3)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "curved.toml")
	if err := os.WriteFile(path, append(text, "\n"+section...), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// rawTrace is a trace with the raw values that 125 x raw - 0.5 kN makes the forces of
// another one of, and with forces that a wrong scale made of them.
func rawTrace(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../../testdata/traces", name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("elapsed_s,force_N,pressure_Pa,quality,force_raw\n")
	for i, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		cells := strings.Split(strings.TrimSpace(line), ",")
		if i == 0 {
			continue
		}
		wrong, raw := "", ""
		if cells[3] == "" {
			n, err := strconv.ParseFloat(cells[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			r := (n + 500) / 125000
			wrong, raw = fmt.Sprintf("%.3f", 100000*r), strconv.FormatFloat(r, 'g', -1, 64)
		}
		fmt.Fprintf(&b, "%s,%s,%s,%s,%s\n", cells[0], wrong, cells[2], cells[3], raw)
	}
	path := filepath.Join(t.TempDir(), "raw.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestReplayWithAnotherScale makes the forces anew: the events are then those of the
// trace with the right forces, byte for byte, and without asking those of the wrong ones.
func TestReplayWithAnotherScale(t *testing.T) {
	right := curvedConfig(t, "[load.scale]\ncoefficients = [-0.5, 125.0, 0.0]\n")
	for _, name := range []string{"plain-pull", "gap-in-hold", "over-limit"} {
		plain := filepath.Join("../../testdata/traces", name+".csv")
		raw := rawTrace(t, name)
		replayed := func(args ...string) string {
			status, out, errs := call(t, append(append([]string{"replay"}, demanded...), args...)...)
			if status != 0 {
				t.Fatalf("%q: status %d: %s", args, status, errs)
			}
			return out
		}
		want := replayed("--config", dock3, plain)
		if got := replayed("--config", right, "--rescale", raw); got != want {
			t.Errorf("%s made anew gives\n%s\nwant\n%s", name, got, want)
		}
		if got := replayed("--config", right, raw); got == want {
			t.Errorf("%s without asking is made anew", name)
		}
	}
	for text, want := range map[string]string{
		"elapsed_s,force_N,pressure_Pa,quality\n0,1,,\n":                  "no column force_raw",
		"elapsed_s,force_N,pressure_Pa,quality,force_raw\n0.5,1,,,\n":     "the reading at 0.5 s is good and has no raw value",
		"elapsed_s,force_N,pressure_Pa,quality,force_raw\n0,,,timeout,\n": "",
	} {
		path := filepath.Join(t.TempDir(), "trace.csv")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		status, _, errs := call(t, "replay", "--config", right, "--rescale", path)
		if (status == 0) != (want == "") || !strings.Contains(errs, want) {
			t.Errorf("%q: status %d: %s", text, status, errs)
		}
	}
}

// TestCurveFromTheWireToTheTrace reads the simulated bench through a curve: the peak is
// what the curve makes of the indicator's, the trace keeps the raw values, and replay makes
// the force of any other scale of them.
func TestCurveFromTheWireToTheTrace(t *testing.T) {
	t.Parallel()
	script := "pull curve\nrest 30s; raise \"100 kN\" over 15s; hold 15s; release 10s; rest 3600s\n"
	path, journal, _ := simulatedBench(t, script, "\n[load.scale]\ncoefficients = [0.25, 1.5, 0.001]\n")
	until(t, "the pull to end", func() bool { return len(endsOf(t, journal)) == 1 })
	made := endsOf(t, journal)[0]
	trace := filepath.Join(journal, made.Trace.Name)
	peakOf := func(config string) float64 {
		status, out, errs := call(t, "replay", "--config", config, "--rescale", trace)
		if status != 0 {
			t.Fatalf("status %d: %s", status, errs)
		}
		return pullEnds(t, cloudEvents(t, []byte(out)))[0].Peak
	}
	if got := peakOf(path); got != made.Peak {
		t.Errorf("the trace made anew with the same scale has the peak %v, the pull had %v", got, made.Peak)
	}
	indicated := peakOf(dock3)
	kN := indicated / 1000
	if want := 1000 * (0.25 + 1.5*kN + 0.001*kN*kN); kN < 95 || kN > 105 || math.Abs(made.Peak-want) > 0.01 {
		t.Errorf("the peak is %v, the indicator's %v, of which the curve makes %v", made.Peak, indicated, want)
	}
}
