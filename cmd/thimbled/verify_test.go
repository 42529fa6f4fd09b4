package main_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// verifyAnswer is what any reader of JSON finds in a judged verification.
type verifyAnswer struct {
	Rows []struct {
		Run       int      `json:"run"`
		Applied   float64  `json:"applied_newtons"`
		Indicated float64  `json:"indicated_newtons"`
		Error     float64  `json:"error_newtons"`
		Percent   *float64 `json:"percent_error"`
	} `json:"rows"`
	Levels []struct {
		Applied       float64  `json:"applied_newtons"`
		Repeatability *float64 `json:"e4_repeatability_percent"`
		Q             float64  `json:"iso_q_percent"`
		B             *float64 `json:"iso_b_percent"`
		Edition       string   `json:"iso_b_edition"`
		B2015         *float64 `json:"iso_b_2015_percent"`
		Verified      bool     `json:"verified"`
	} `json:"levels"`
	Verified bool     `json:"verified"`
	From     *float64 `json:"verified_from_newtons"`
	To       *float64 `json:"verified_to_newtons"`
	Class    *float64 `json:"iso_class"`
	Series   int      `json:"iso_series"`
	Until    *string  `json:"valid_until"`
	Findings []struct {
		Rule   string `json:"rule"`
		Effect string `json:"effect"`
		Text   string `json:"text"`
	} `json:"findings"`
}

// finds says whether there is a finding of an effect by a rule.
func (a verifyAnswer) finds(effect, rule string) bool {
	for _, f := range a.Findings {
		if f.Effect == effect && strings.Contains(f.Rule, rule) && f.Text != "" {
			return true
		}
	}
	return false
}

func askVerify(t *testing.T, wantStatus int, args ...string) verifyAnswer {
	t.Helper()
	status, out, errs := call(t, append([]string{"verify", "--json", "--config", dock3}, args...)...)
	var a verifyAnswer
	if err := json.Unmarshal([]byte(out), &a); err != nil || status != wantStatus || a.Verified != (wantStatus == 0) {
		t.Fatalf("%q: status %d, %v, %s%s", args, status, err, out, errs)
	}
	if !a.Verified && (a.From != nil || a.To != nil || a.Until != nil) {
		t.Errorf("%q: not verified, but %+v", args, a)
	}
	return a
}

const publishedReadings = "../../testdata/verify/readings.csv"

// figures reads a table by the names of its columns.
func figures(t *testing.T, path string) (cells []map[string]string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		named := map[string]string{}
		for i, cell := range row {
			named[rows[0][i]] = cell
		}
		cells = append(cells, named)
	}
	return cells
}

// The readings of force_verification.csv (computed exactly from the NIST StRD set
// Pontius) through the command: each figure to 1e-6 of a per cent.
func TestVerifyPublishedReadings(t *testing.T) {
	a := askVerify(t, 0, "--readings", publishedReadings, "--on", "2026-02-28")
	near := func(what string, got *float64, row map[string]string, column string, tolerance float64) {
		t.Helper()
		want, err := strconv.ParseFloat(row[column], 64)
		if err != nil || got == nil || !(math.Abs(*got-want) <= tolerance) {
			t.Errorf("%s is %v, published %v", what, got, row[column])
		}
	}
	table := figures(t, "../../peak/verify/testdata/force_verification.csv")
	if len(table) != 10 || len(a.Rows) != 20 || len(a.Levels) != 10 || a.Series != 2 {
		t.Fatalf("%d published levels: %+v", len(table), a)
	}
	for i, row := range table {
		for run, columns := range [][]string{
			{"indicated1_from_certified_quadratic", "error1", "percent_error1_E4"}, {"indicated2", "error2", "percent_error2_E4"},
		} {
			r := a.Rows[i+10*run]
			if r.Run != run+1 {
				t.Errorf("row %d is of run %d", i+10*run, r.Run)
			}
			near("applied", &r.Applied, row, "applied_force", 0)
			near("indicated", &r.Indicated, row, columns[0], 0)
			near("error", &r.Error, row, columns[1], 1e-4)
			near("percent error", r.Percent, row, columns[2], 1e-6)
		}
		l := a.Levels[i]
		near("applied", &l.Applied, row, "applied_force", 0)
		near("repeatability", l.Repeatability, row, "repeatability_E4_pct", 1e-6)
		near("q", &l.Q, row, "iso_q_mean_pct", 1e-6)
		near("b", l.B, row, "iso_b_pct", 1e-6)
		near("b of 2015", l.B2015, row, "repeatability_E4_pct", 1e-6) // the spread of q, which is the spread of the errors
		if !l.Verified || !strings.Contains(l.Edition, "before 2015") {
			t.Errorf("level %+v", l)
		}
	}
	if *a.From != 150_000 || *a.To != 1_500_000 || *a.Class != 0.5 || *a.Until != "2027-02-28" {
		t.Errorf("answer %+v", a)
	}
	if !a.finds("remark", "capacity") || !a.finds("remark", "three series") || len(a.Findings) != 3 {
		t.Errorf("findings %+v", a.Findings)
	}
}

func TestVerifyTellsPeople(t *testing.T) {
	status, out, _ := call(t, "verify", "--config", dock3, "--readings", publishedReadings, "--on", "2026-02-28", "--months", "18", "--by", "C. Name",
		"--standard", "reference cell RC-7", "--standard-uncertainty", "0.12 %")
	for _, want := range []string{
		"dock-3 with a division of 0.05 kN, compared with reference cell RC-7 (0.12 %, k = 2) on 2026-02-28 by C. Name.",
		"2     300.000       300.237     0.237   0.0791", "300.00     2           0.2040           0.2830  -0.0625           0.2832",
		"Remark: ISO 7500-1, three series", "Verified by ASTM E4 from 150.00 kN to 1500.00 kN, until 2027-08-28.", "class 0.5 of ISO 7500-1",
	} {
		if status != 0 || !strings.Contains(out, want) {
			t.Errorf("status %d, want %q in %s", status, want, out)
		}
	}
}

// readingsOf writes readings without errors, so many runs of them, with zero returns.
func readingsOf(t *testing.T, runs int, newtons ...float64) string {
	t.Helper()
	text := "run,applied_N,indicated_N\n"
	for run := range runs {
		for _, f := range append(newtons, 0) {
			text += fmt.Sprintf("%d,%v,%v\n", run+1, f, f)
		}
	}
	path := filepath.Join(t.TempDir(), "readings.csv")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// What is wrong with a set is told by the rule, and refuses or limits the range. Forces
// below 200 divisions of 50 N are below 10 kN.
func TestVerifyNamesTheRule(t *testing.T) {
	for _, c := range []struct {
		readings     string
		effect, rule string
		from         float64 // 0: refused
	}{
		{readingsOf(t, 2, 50e3, 60e3, 70e3, 80e3, 250e3), "refuses", "choice of forces", 0},
		{readingsOf(t, 2, 50e3, 100e3, 200e3, 250e3), "refuses", "number of forces", 0},
		{readingsOf(t, 1, 50e3, 100e3, 150e3, 200e3, 250e3), "refuses", "number of runs", 0},
		{readingsOf(t, 3, 9.95e3, 50e3, 100e3, 150e3, 200e3, 250e3), "limits", "200 resolutions", 50e3},
		{readingsOf(t, 3, 9.95e3, 100e3, 150e3, 200e3, 250e3), "refuses", "number of forces", 0},
		{readingsOf(t, 3, 50e3, 100e3, 90e3, 150e3, 200e3, 250e3), "refuses", "series of readings", 0},
	} {
		status := 1
		if c.from > 0 {
			status = 0
		}
		a := askVerify(t, status, "--readings", c.readings)
		if !a.finds(c.effect, c.rule) || c.from > 0 && (*a.From != c.from || *a.To != 250e3) {
			t.Errorf("want %s by %s from %v: %+v", c.effect, c.rule, c.from, a)
		}
	}
	a := askVerify(t, 1, "--readings", readingsOf(t, 1, 50e3, 100e3, 150e3, 200e3, 250e3))
	if a.Class != nil || len(a.Levels) != 5 || a.Levels[0].Repeatability != nil || a.Levels[0].B != nil || a.Rows[5].Percent != nil || a.Rows[4].Percent == nil {
		t.Errorf("one run gave %+v", a)
	}
	status, out, _ := call(t, "verify", "--config", dock3, "--readings", readingsOf(t, 1, 50e3, 100e3))
	if status != 1 || !strings.Contains(out, "Refused by ASTM E4, number of runs: runs: 1") || !strings.Contains(out, "Not verified. No class") {
		t.Errorf("status %d: %s", status, out)
	}
}

// Each measuring range is judged by its own division: 5 kN are 500 divisions in the
// low range and 100 in the high one.
func TestVerifyOfRanges(t *testing.T) {
	text, err := os.ReadFile(dock3)
	if err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(t.TempDir(), "bench.toml")
	ranges := "\n[[range]]\nname = \"low\"\nup_to = \"50 kN\"\ndivision = \"10 N\"\n\n[[range]]\nname = \"high\"\nup_to = \"250 kN\"\ndivision = \"50 N\"\n"
	if err := os.WriteFile(config, append(text, ranges...), 0o600); err != nil {
		t.Fatal(err)
	}
	readings := readingsOf(t, 3, 5e3, 10e3, 20e3, 30e3, 40e3, 50e3)
	for name, from := range map[string]float64{"low": 5e3, "high": 10e3} {
		a := askVerify(t, 0, "--config", config, "--readings", readings, "--range", name)
		if *a.From != from || a.finds("limits", "200 resolutions") != (name == "high") {
			t.Errorf("range %s: %+v", name, a)
		}
	}
	status, _, errs := call(t, "verify", "--config", config, "--readings", readings)
	if status != 2 || !strings.Contains(errs, "--range low or --range high") {
		t.Errorf("without a range: status %d, %s", status, errs)
	}
}

func TestVerifyRefusesWhatItCannotRead(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.csv")
	if err := os.WriteFile(bad, []byte("run,applied_N,indicated_N\n1,x,2\n1,3\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		status int
		want   string
		args   []string
	}{
		{2, "--readings", []string{"--config", dock3}},
		{74, "line 2", []string{"--config", dock3, "--readings", bad}},
		{74, "no such file", []string{"--config", dock3, "--readings", filepath.Join(dir, "none.csv")}},
		{2, "leave \"low\" out", []string{"--config", dock3, "--readings", bad, "--range", "low"}},
		{2, "1 to 18 months", []string{"--config", dock3, "--readings", bad, "--months", "19"}},
		{74, "line 2, column 3: applied_N \"x\"", []string{"--config", dock3, "--readings", bad}},
		{74, "line 3, column 1: 2 columns", []string{"--config", dock3, "--readings", bad}},
		{2, "has not come yet", []string{"--config", dock3, "--readings", bad, "--on", "2999-01-01"}},
		{2, "has no unit", []string{"--config", dock3, "--readings", bad, "--standard", "RC-7", "--standard-uncertainty", "0.12"}},
		{2, "not above 0", []string{"--config", dock3, "--readings", bad, "--standard", "RC-7", "--standard-uncertainty", "-1 %"}},
		{2, "of which --standard", []string{"--config", dock3, "--readings", bad, "--standard-uncertainty", "0.12 %"}},
		{2, "no day", []string{"--config", dock3, "--readings", bad, "--on", "yesterday"}},
	} {
		status, _, errs := call(t, append([]string{"verify"}, c.args...)...)
		if status != c.status || !strings.Contains(errs, c.want) {
			t.Errorf("%q: status %d, %s", c.args, status, errs)
		}
	}
}
