package verify_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"thimbled/peak"
	"thimbled/peak/verify"
)

func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, cell := range row {
			m[rows[0][i]] = cell
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// published are the two runs of force_verification.csv.
func published(t *testing.T) (out []verify.Reading) {
	t.Helper()
	for run, column := range []string{"indicated1_from_certified_quadratic", "indicated2"} {
		for _, row := range table(t, "force_verification.csv") {
			out = append(out, verify.Reading{Run: run + 1, Applied: number(t, row["applied_force"]), Indicated: number(t, row[column])})
		}
	}
	return out
}

// Every figure of force_verification.csv, to 1e-6 of a per cent; the table is printed
// to that.
func TestPublishedVerification(t *testing.T) {
	r := verify.Judge(verify.Session{Readings: published(t), Resolution: 50})
	near := func(what string, got float64, want string) {
		t.Helper()
		if w := number(t, want); math.Abs(got-w) > 1e-6 {
			t.Errorf("%s is %v, published %v", what, got, w)
		}
	}
	for i, row := range table(t, "force_verification.csv") {
		l := r.Levels[i]
		near("error 1 of "+row["applied_force"], r.Rows[i].Percent, row["percent_error1_E4"])
		near("error 2 of "+row["applied_force"], r.Rows[i+10].Percent, row["percent_error2_E4"])
		near("repeatability", l.Repeatability, row["repeatability_E4_pct"])
		near("q", l.Q, row["iso_q_mean_pct"])
		near("b", l.BOlder, row["iso_b_pct"])
	}
	if !r.Verified || r.From != 150_000 || r.To != 1_500_000 || r.Class != 0.5 || r.Runs != 2 {
		t.Errorf("verified %v from %v to %v, class %v, %d runs: %+v", r.Verified, r.From, r.To, r.Class, r.Runs, r.Findings)
	}
	if got := r.MaxError(); math.Abs(got-0.203991) > 1e-6 {
		t.Errorf("largest error %v, published 0.203991", got)
	}
	if got := r.MaxRepeatability(); math.Abs(got-0.300912) > 1e-6 {
		t.Errorf("largest repeatability %v, published 0.300912", got)
	}
}

// even is a session of two runs of evenly spaced forces without any error.
func even(from, to float64, n int) (out []verify.Reading) {
	for run := 1; run <= 2; run++ {
		for i := range n {
			f := from + (to-from)*float64(i)/float64(n-1)
			out = append(out, verify.Reading{Run: run, Applied: f, Indicated: f})
		}
		out = append(out, verify.Reading{Run: run})
	}
	return out
}

func at(forces ...float64) (out []verify.Reading) {
	for run := 1; run <= 2; run++ {
		for _, f := range forces {
			out = append(out, verify.Reading{Run: run, Applied: f, Indicated: f})
		}
		out = append(out, verify.Reading{Run: run})
	}
	return out
}

func TestRulesRefuseAndLimit(t *testing.T) {
	for name, c := range map[string]struct {
		readings []verify.Reading
		rule     string // of a finding that refuses or limits; empty if there must be none
		from, to float64
	}{
		"even":           {even(50e3, 250e3, 5), "", 50e3, 250e3},
		"decades":        {at(10e3, 20e3, 40e3, 70e3, 100e3, 200e3, 250e3), "", 10e3, 250e3},
		"decade broken":  {at(10e3, 20e3, 70e3, 100e3, 200e3, 250e3), "choice of forces", 0, 0},
		"too far apart":  {at(50e3, 60e3, 70e3, 80e3, 250e3), "choice of forces", 0, 0},
		"too near":       {at(50e3, 51e3, 100e3, 200e3, 250e3), "choice of forces", 0, 0},
		"a gap":          {at(50e3, 122e3, 150e3, 200e3, 250e3), "choice of forces", 0, 0},
		"one too near":   {at(50e3, 51e3, 100e3, 150e3, 200e3, 250e3), "choice of forces", 51e3, 250e3},
		"below a tenth":  {at(10e3, 70e3, 130e3, 190e3, 250e3), "choice of forces", 0, 0},
		"cut to a tenth": {at(11e3, 50e3, 100e3, 150e3, 200e3, 250e3), "choice of forces", 50e3, 250e3},
		"about a tenth":  {at(10.02e3, 20.01e3, 39.98e3, 70.05e3, 100e3), "", 10.02e3, 100e3},
		"a tenth evenly": {at(24.9e3, 75e3, 130e3, 190e3, 250e3), "", 24.9e3, 250e3},
		"error inside":   {change(even(50e3, 250e3, 11), func(r *verify.Reading) { shiftBoth(r, 90e3, 0.0101) }), "percent error", 110e3, 250e3},
		"goes on":        {append(even(50e3, 250e3, 5), verify.Reading{Run: 2, Applied: 300e3, Indicated: 300e3}), "series", 0, 0},
		"not the same":   {change(even(50e3, 250e3, 5), func(r *verify.Reading) { swing(r, 150e3, 0.06) }), "series", 0, 0},
		"nearly so":      {change(even(50e3, 250e3, 5), func(r *verify.Reading) { swing(r, 150e3, 0.04) }), "", 50e3, 250e3},
		"one below 200":  {change(even(10e3, 100e3, 10), func(r *verify.Reading) { swing(r, 10e3, 0.001) }), "lower limit", 20e3, 100e3},
		"four forces":    {even(50e3, 250e3, 4), "number of forces", 0, 0},
		"one run":        {even(50e3, 250e3, 5)[:6], "number of runs", 0, 0},
		"below 200":      {even(9e3, 249e3, 7), "lower limit", 49e3, 249e3},
		"error on top":   {change(even(50e3, 250e3, 6), func(r *verify.Reading) { r.Indicated *= 1 + 0.011*r.Applied/250e3*r.Applied/250e3 }), "percent error", 50e3, 210e3},
		"runs differ":    {change(even(50e3, 250e3, 6), func(r *verify.Reading) { shift(r, 250e3, 0.0055) }), "repeatability", 50e3, 210e3},
		"error within":   {change(even(50e3, 250e3, 6), func(r *verify.Reading) { r.Indicated *= 0.99 }), "", 50e3, 250e3},
		"falls":          {at(50e3, 40e3, 150e3, 200e3, 250e3), "series", 0, 0},
		"runs not alike": {append(even(50e3, 250e3, 5), even(50e3, 240e3, 5)[6:]...), "series", 0, 0},
		"no zero return": {change(even(50e3, 250e3, 5), func(r *verify.Reading) { r.Indicated += 600 }), "return to zero", 0, 0},
		"nothing":        {nil, "number of runs", 0, 0},
	} {
		r := verify.Judge(verify.Session{Readings: c.readings, Resolution: 50, Capacity: 250e3, Unit: peak.UnitKN})
		var found []string
		for _, f := range r.Findings {
			if f.Effect != verify.Remark {
				found = append(found, f.Rule+": "+f.Text)
			}
		}
		if c.rule == "" && len(found) > 0 || c.rule != "" && !slices.ContainsFunc(found, func(s string) bool { return strings.Contains(s, c.rule) }) {
			t.Errorf("%s: found %q, want %q", name, found, c.rule)
		}
		if r.Verified != (c.to > 0) || math.Abs(r.From-c.from) > 1e-6 || math.Abs(r.To-c.to) > 1e-6 {
			t.Errorf("%s: verified %v from %v to %v, want %v to %v", name, r.Verified, r.From, r.To, c.from, c.to)
		}
	}
}

// shift makes the two runs differ at one force.
func shift(r *verify.Reading, applied, part float64) {
	if r.Applied == applied {
		r.Indicated *= 1 + part*float64(2*r.Run-3)
	}
}

// shiftBoth makes both runs wrong at one force, swing sets it differently in them.
func shiftBoth(r *verify.Reading, applied, part float64) {
	if r.Applied == applied {
		r.Indicated *= 1 + part
	}
}

func swing(r *verify.Reading, applied, part float64) {
	if r.Applied == applied {
		r.Applied *= 1 + part*float64(2*r.Run-3)
		r.Indicated = r.Applied
	}
}

// The classes of iso7500_classes.csv: figures just within a limit are good for the
// class, just beyond for the next.
func TestClasses(t *testing.T) {
	rows := table(t, "iso7500_classes.csv")
	for i, row := range rows {
		class, q, b := number(t, row["class"]), number(t, row["q_pct_pm"]), number(t, row["b_pct"])
		lowest := number(t, row["lower_limit_in_resolutions"])
		next := 0.0
		if i+1 < len(rows) {
			next = number(t, rows[i+1]["class"])
		}
		// A class is stated even where ASTM E4, with 1 % and 200 resolutions, gives no
		// verified range.
		limit := func(what string, figure float64, readings []verify.Reading, resolution float64, want float64) {
			t.Helper()
			r := verify.Judge(verify.Session{Readings: readings, Resolution: resolution})
			if r.Class != want {
				t.Errorf("class %v, %s %v: got class %v, want %v: %v", class, what, figure, r.Class, want, r.Findings)
			}
			if want > 0 && (r.ClassFrom != 50e3 || r.ClassTo != 250e3) {
				t.Errorf("class %v, %s %v: stated from %v to %v", class, what, figure, r.ClassFrom, r.ClassTo)
			}
			if got := verify.Judge(verify.Session{Readings: even(100e3, 250e3, 5), Resolution: 1}); got.ClassLowerLimit != 400 {
				t.Errorf("class 0.5 of a division of 1 N may be stated from %v N", got.ClassLowerLimit)
			}
		}
		for _, part := range []struct {
			of   float64
			want float64
		}{{0.999, class}, {1.001, next}} {
			error := q * part.of / 100
			limit("q", q*part.of, change(even(50e3, 250e3, 5), func(r *verify.Reading) { r.Indicated *= 1 + error }), 1, part.want)
			spread := b * part.of / 200
			limit("b", b*part.of, change(even(50e3, 250e3, 5), func(r *verify.Reading) { shift(r, 100e3, spread) }), 1, part.want)
			limit("resolution", lowest, even(50e3, 250e3, 5), 50e3/lowest*part.of, part.want)
			f0 := number(t, row["f0_pct_pm"]) * part.of / 100 * 250e3
			limit("zero", f0, change(even(50e3, 250e3, 5), func(r *verify.Reading) { zeroAt(r, f0) }), 1, part.want)
		}
	}
}

// zeroAt lets the second run come back to a force.
func zeroAt(r *verify.Reading, newtons float64) {
	if r.Applied == 0 && r.Run == 2 {
		r.Indicated = newtons
	}
}

func change(in []verify.Reading, f func(r *verify.Reading)) []verify.Reading {
	for i := range in {
		f(&in[i])
	}
	return in
}

// Which run is called the first changes nothing, and neither does the unit.
func TestRunsAndUnitsDoNotMatter(t *testing.T) {
	in := published(t)
	want := verify.Judge(verify.Session{Readings: in, Resolution: 50})
	swapped := slices.Concat(in[10:], in[:10])
	for i := range swapped {
		swapped[i].Run = 3 - swapped[i].Run
	}
	scaled := slices.Clone(in)
	for i := range scaled {
		scaled[i].Applied, scaled[i].Indicated = scaled[i].Applied/1024, scaled[i].Indicated/1024
	}
	for name, got := range map[string]verify.Report{
		"swapped": verify.Judge(verify.Session{Readings: swapped, Resolution: 50}),
		"scaled":  verify.Judge(verify.Session{Readings: scaled, Resolution: 50.0 / 1024}),
	} {
		for i, l := range got.Levels {
			w := want.Levels[i]
			if math.Abs(l.Q-w.Q) > 1e-9 || math.Abs(l.BOlder-w.BOlder) > 1e-9 || math.Abs(l.Repeatability-w.Repeatability) > 1e-9 {
				t.Errorf("%s: level %d is %+v, was %+v", name, i, l, w)
			}
		}
		if got.Class != want.Class || got.Verified != want.Verified {
			t.Errorf("%s: class %v, was %v", name, got.Class, want.Class)
		}
	}
}

func TestReadCSV(t *testing.T) {
	good := "\ufeffremark,indicated_N,run,applied_N\r\nfirst,1002.5,1,1000\r\n\"a,b\",0,1,0\n"
	got, err := verify.ReadCSV(strings.NewReader(good))
	if err != nil || !slices.Equal(got, []verify.Reading{{Run: 1, Applied: 1000, Indicated: 1002.5}, {Run: 1}}) {
		t.Errorf("%+v, %v", got, err)
	}
	for text, wants := range map[string][]string{
		"":                                                              {"first line"},
		"run,applied_N\n1,2\n":                                          {"line 1", "no column indicated_N"},
		"run;applied_N;indicated_N\n":                                   {"no column run; a comma separates columns"},
		"run,run,applied_N,indicated_N\n":                               {"line 1, column 5: the column run is there twice"},
		"run,applied_N,indicated_N\n":                                   {"no reading"},
		"run,applied_N,indicated_N\n1,2\n1,x,3\n":                       {"line 2, column 1: 2 columns", `line 3, column 3: applied_N "x"`},
		"run,applied_N,indicated_N\n0,-1,NaN\n":                         {`line 2, column 1: run "0"`, `line 2, column 3: applied_N "-1"`, `line 2, column 6: indicated_N "NaN"`},
		"run,applied_N,indicated_N\n1,1,1\nx,1e99,\n1,1,y\n":            {"line 3", "line 4", `"1e99"`, `indicated_N "" is not`},
		"run,applied_N,indicated_N\n1,0x1p4,1\n1,1e-9,1\n":              {"line 2, column 3", "line 3, column 3", "at least 0.001"},
		"run,applied_N,indicated_N\n1,\"1,000\",1\n1,inf,1_0\n":         {"line 2, column 3", "has a comma", `"inf"`, `"1_0"`},
		"run,applied_N,indicated_N\n1,2,3\n1,\"2,3\n":                   {"line 3"},
		"run,applied_N,indicated_N\n" + strings.Repeat("x,1,1\n", 30):   {"line 21,"},
		"run,applied_N,indicated_N\n" + strings.Repeat("1,1,1\n", 1001): {"line 1002", "more than 1000"},
	} {
		_, err := verify.ReadCSV(strings.NewReader(text))
		if strings.Contains(fmt.Sprint(err), "line 22,") {
			t.Errorf("%q gave more than twenty problems: %v", text, err)
		}
		for _, want := range wants {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%q gave %v, want %q in it", text, err, want)
			}
		}
	}
	if _, err := verify.ReadCSV(bytes.NewReader(make([]byte, verify.LargestFile+1))); err == nil {
		t.Error("a file that is too large was read")
	}
}

// Whatever the table says, what comes of it can be written and read again and is
// judged without a fault.
func FuzzReadCSV(f *testing.F) {
	f.Add("run,applied_N,indicated_N\n1,1000,1001\n2,1000,999\n1,0,0\n")
	f.Add("indicated_N,run,applied_N,x\n1e3,1,\"1000\",\n")
	f.Add("run,applied_N,indicated_N\n1,2,3,4\n")
	f.Add("run,applied_N,indicated_N\n1,0.001,1e10\n2,0.00101,0\n2,0,-1e10\n")
	f.Add("run,applied_N,indicated_N\n1,1000,1000\n1,2000,2000\n1,3000,3000\n1,4000,4000\n1,5000,5000\n1,0,1\n" +
		"2,0,1\n2,1000,1000\n2,2000,2000\n2,3000,3000\n2,4000,4000\n2,5000,5000\n2,0,1\n")
	f.Fuzz(func(t *testing.T, text string) {
		readings, err := verify.ReadCSV(strings.NewReader(text))
		if err != nil {
			return
		}
		var b strings.Builder
		b.WriteString("run,applied_N,indicated_N\n")
		for _, r := range readings {
			fmt.Fprintf(&b, "%d,%v,%v\n", r.Run, r.Applied, r.Indicated)
		}
		again, err := verify.ReadCSV(strings.NewReader(b.String()))
		if err != nil || !slices.Equal(readings, again) {
			t.Errorf("%v read again as %v: %v", readings, again, err)
		}
		r := verify.Judge(verify.Session{Readings: readings, Resolution: 1, Capacity: 1e6, Unit: peak.UnitKip})
		if r.Verified && (r.From <= 0 || r.To < r.From || r.MaxError() > 1.000001 || r.MaxRepeatability() > 1.000001) {
			t.Errorf("verified %+v", r)
		}
		if _, err := json.Marshal(r); err != nil { // a figure that is no number
			t.Errorf("%v: %+v", err, r)
		}
	})
}
