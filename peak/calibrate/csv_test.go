package calibrate_test

import (
	"math"
	"reflect"
	"strings"
	"testing"

	"thimbled/peak/calibrate"
)

func TestTablesAreRead(t *testing.T) {
	want := []calibrate.Reading{{Raw: 0.5, Applied: 10_000}, {Raw: -1.25, Applied: 0}}
	for name, text := range map[string]string{
		"plain":            "raw,applied_N\n0.5,10000\n-1.25,0\n",
		"other order":      "force_N,counts\n10000,0.5\n0,-1.25\n",
		"another unit":     "mV_per_V,applied_kN\n0.5,10\n-1.25,0\n",
		"as NIST has it":   "y_deflection,x_load\n0.5,10000\n-1.25,0\n",
		"y and x":          "y,x\r\n5e-1,1e4\r\n-1.25,0\r\n",
		"more columns":     "run,deflection,note,load\n1,0.5,\"a, b\",10000\n1,-1.25,,0\n",
		"byte order mark":  "\ufeffraw,load\n0.5,10000\n-1.25,0",
		"spaces and blank": " raw , applied_N \n 0.5, 10000\n\n-1.25 ,0 \n",
	} {
		got, err := calibrate.ReadCSV(strings.NewReader(text))
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	if got := readings(t, "pontius.csv"); len(got) != 40 || got[0] != (calibrate.Reading{Raw: 0.11019, Applied: 150000}) {
		t.Errorf("pontius.csv: %d readings, the first %+v", len(got), got[0])
	}
	if got := readings(t, "norris.csv"); len(got) != 36 || got[1] != (calibrate.Reading{Raw: 338.8, Applied: 337.4}) {
		t.Errorf("norris.csv: %d readings, the second %+v", len(got), got[1])
	}
}

func TestBadTablesTellEveryProblem(t *testing.T) {
	for text, want := range map[string][]string{
		"":                       {"the first line names the columns"},
		"a,b\n1,2\n":             {"no column with the signal", "no column with the force"},
		"raw,y,load\n1,2,3\n":    {"the columns raw and y both have the signal"},
		"y,x,applied_N\n":        {"the columns x and applied_N both have the force"},
		"raw,applied_bar\n1,2":   {"no column with the force"},
		"raw,load\n1\n2,x\n,NaN": {"line 2", "wrong number of fields", `line 3: load "x" is not a number`, `line 4: raw "" is not a number`, `load "NaN" is not a number`},
		"raw,applied_MN\n1e16,2\n1,1e5\n1e999,Inf\n": {`line 2: raw "1e16" is out of range`, `line 3: applied_MN "1e5" is out of range`, `line 4: raw "1e999" is not`, `applied_MN "Inf" is out`},
		"raw,load\n1,\"2\n3,4\n":                     {"quote"},
	} {
		got, err := calibrate.ReadCSV(strings.NewReader(text))
		if err == nil || got != nil {
			t.Errorf("%q: %v", text, got)
			continue
		}
		for _, part := range want {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%q: no %q in: %v", text, part, err)
			}
		}
	}
	large := "raw,load\n" + strings.Repeat("1,2\n", calibrate.LargestFile/4)
	if _, err := calibrate.ReadCSV(strings.NewReader(large)); err == nil || !strings.Contains(err.Error(), "larger than") {
		t.Errorf("a table that is too large: %v", err)
	}
	many := "raw,load\n" + strings.Repeat("x,y\n", 1000)
	if _, err := calibrate.ReadCSV(strings.NewReader(many)); err == nil || strings.Count(err.Error(), "line ") != 20 {
		t.Errorf("a thousand problems: %v", err)
	}
}

// Any table is read or refused, and any readings are calibrated or refused: never a figure
// that is no number, never a curve that goes back within the readings.
func FuzzCalibrate(f *testing.F) {
	f.Add("raw,applied_N\n0,0\n1,10\n2,20.1\n3,30\n4,40\n", uint8(1))
	f.Add("y,x\n0.1,0.2\n338.8,337.4\n118.1,118.2\n888.0,884.6\n9.2,10.1\n228.1,226.5\n", uint8(2))
	f.Add("counts,force_kN\n8388608,0\n8488608,12.5\n8588608,25\n8688608,37.4\n8788608,50\n8888608,62.6\n", uint8(3))
	f.Add("raw,load\n1e-300,1\n2e-300,2\n3e-300,3\n", uint8(1))
	f.Add("raw,load\n\"1\",\"2\n", uint8(0))
	f.Fuzz(func(t *testing.T, text string, degree uint8) {
		in, err := calibrate.ReadCSV(strings.NewReader(text))
		if err != nil {
			return
		}
		c, err := calibrate.Calibrate(in, int(degree))
		if err != nil {
			return
		}
		for _, fit := range []*calibrate.Fit{c.Response, c.Inverse} {
			for _, list := range [][]float64{fit.Coefficients, fit.Deviations, fit.Residuals, {fit.ResidualSD, fit.RSquared}} {
				for _, v := range list {
					if math.IsNaN(v) || math.IsInf(v, 0) {
						t.Fatalf("not a number: %+v", fit)
					}
				}
			}
			if l := fit.LackOfFit; l != nil && (math.IsNaN(l.F) || math.IsNaN(l.P) || l.P < 0 || l.P > 1) {
				t.Fatalf("lack of fit %+v", l)
			}
		}
		if f := c.E74; math.IsNaN(f.Response.Factor) || math.IsInf(f.Response.Factor, 0) || f.Inverse.Factor < 0 {
			t.Fatalf("limits %+v", f)
		}
		steps := 16
		way := c.Inverse.At(c.RawTo) - c.Inverse.At(c.RawFrom)
		before := c.Inverse.At(c.RawFrom)
		for i := 1; i <= steps; i++ {
			now := c.Inverse.At(c.RawFrom + (c.RawTo-c.RawFrom)*float64(i)/float64(steps))
			if (now-before)*way < 0 && math.Abs(now-before) > 1e-9*math.Abs(way) {
				t.Fatalf("the curve goes back at step %d: %v after %v", i, now, before)
			}
			before = now
		}
	})
}
