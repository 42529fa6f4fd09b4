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
		Run       int     `json:"run"`
		Applied   float64 `json:"applied_newtons"`
		Indicated float64 `json:"indicated_newtons"`
		Percent   float64 `json:"percent_error"`
	} `json:"rows"`
	Levels []struct {
		Applied       float64 `json:"applied_newtons"`
		Repeatability float64 `json:"e4_repeatability_percent"`
		Q             float64 `json:"iso_q_percent"`
		B             float64 `json:"iso_b_percent"`
		Edition       string  `json:"iso_b_edition"`
	} `json:"levels"`
	Verified bool     `json:"verified"`
	From     *float64 `json:"verified_from_newtons"`
	To       *float64 `json:"verified_to_newtons"`
	Class    *float64 `json:"iso_class"`
	Until    string   `json:"valid_until"`
	Findings []struct {
		Rule   string `json:"rule"`
		Effect string `json:"effect"`
	} `json:"findings"`
}

func askVerify(t *testing.T, wantStatus int, args ...string) verifyAnswer {
	t.Helper()
	status, out, errs := call(t, append([]string{"verify", "--json", "--config", "../../config/dock-3.toml"}, args...)...)
	var a verifyAnswer
	if err := json.Unmarshal([]byte(out), &a); err != nil || status != wantStatus {
		t.Fatalf("%q: status %d, %v, %s%s", args, status, err, out, errs)
	}
	return a
}

// The readings of force_verification.csv (computed exactly from the NIST StRD set
// Pontius) through the command: each figure to 1e-6 of a per cent.
func TestVerifyPublishedReadings(t *testing.T) {
	f, err := os.Open("../../peak/verify/testdata/force_verification.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	table, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range table[0] {
		column[name] = i
	}
	cell := func(row []string, name string) float64 {
		x, err := strconv.ParseFloat(row[column[name]], 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	var text strings.Builder
	text.WriteString("run,applied_N,indicated_N\n")
	for run, name := range []string{"indicated1_from_certified_quadratic", "indicated2"} {
		for _, row := range table[1:] {
			fmt.Fprintf(&text, "%d,%s,%s\n", run+1, row[column["applied_force"]], row[column[name]])
		}
	}
	path := filepath.Join(t.TempDir(), "readings.csv")
	if err := os.WriteFile(path, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	a := askVerify(t, 0, "--readings", path, "--on", "2026-02-28")
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-6 {
			t.Errorf("%s is %v, published %v", what, got, want)
		}
	}
	for i, row := range table[1:] {
		near("error of run 1", a.Rows[i].Percent, cell(row, "percent_error1_E4"))
		near("error of run 2", a.Rows[i+10].Percent, cell(row, "percent_error2_E4"))
		near("repeatability", a.Levels[i].Repeatability, cell(row, "repeatability_E4_pct"))
		near("q", a.Levels[i].Q, cell(row, "iso_q_mean_pct"))
		near("b", a.Levels[i].B, cell(row, "iso_b_pct"))
	}
	if !a.Verified || *a.From != 150_000 || *a.To != 1_500_000 || *a.Class != 0.5 || a.Until != "2027-02-28" || !strings.Contains(a.Levels[0].Edition, "before 2015") {
		t.Errorf("answer %+v", a)
	}

	one := filepath.Join(t.TempDir(), "one.csv")
	if err := os.WriteFile(one, []byte(strings.Join(strings.SplitAfter(text.String(), "\n")[:11], "")), 0o644); err != nil {
		t.Fatal(err)
	}
	a = askVerify(t, 1, "--readings", one)
	named := false
	for _, f := range a.Findings {
		named = named || f.Effect == "refuses" && strings.Contains(f.Rule, "number of runs")
	}
	if a.Verified || a.From != nil || a.Class != nil || !named {
		t.Errorf("one run gave %+v", a)
	}
	status, out, _ := call(t, "verify", "--config", "../../config/dock-3.toml", "--readings", path)
	if status != 0 || !strings.Contains(out, "Verified by ASTM E4 from 150000.0 N to 1500000.0 N") {
		t.Errorf("status %d, %s", status, out)
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
		{2, "--readings", []string{"--config", "../../config/dock-3.toml"}},
		{74, "line 2", []string{"--config", "../../config/dock-3.toml", "--readings", bad}},
		{74, "no such file", []string{"--config", "../../config/dock-3.toml", "--readings", filepath.Join(dir, "none.csv")}},
		{2, "leave \"low\" out", []string{"--config", "../../config/dock-3.toml", "--readings", bad, "--range", "low"}},
		{2, "1 to 18 months", []string{"--config", "../../config/dock-3.toml", "--readings", bad, "--months", "19"}},
		{2, "no day", []string{"--config", "../../config/dock-3.toml", "--readings", bad, "--on", "yesterday"}},
	} {
		status, _, errs := call(t, append([]string{"verify"}, c.args...)...)
		if status != c.status || !strings.Contains(errs, c.want) {
			t.Errorf("%q: status %d, %s", c.args, status, errs)
		}
	}
}
