package main_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

type planAnswer struct {
	Possible bool
	Pulls    []struct {
		Label string
		Leg   *int
		End   *string
		From  *json.Number `json:"from_metres"`
		To    *json.Number `json:"to_metres"`
		Text  string
	}
	Overlap *json.Number `json:"overlap_metres"`
	Longest *json.Number `json:"longest_metres"`
	Why     string
}

func planOf(t *testing.T, wantStatus int, args ...string) planAnswer {
	t.Helper()
	status, out, errs := call(t, append([]string{"plan", "--json"}, args...)...)
	var p planAnswer
	if err := json.Unmarshal([]byte(out), &p); err != nil || status != wantStatus || p.Possible != (status == 0) || p.Possible != (p.Why == "") {
		t.Fatalf("%q: status %d, %v, %s%s", args, status, err, out, errs)
	}
	return p
}

// benchOfTravel writes the example's config with another travel, or without one.
func benchOfTravel(t *testing.T, line string) string {
	t.Helper()
	example, err := os.ReadFile(dock3)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for one := range strings.Lines(string(example)) {
		if strings.HasPrefix(one, "travel") {
			one = line + "\n"
		}
		lines = append(lines, one)
	}
	path := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(path, []byte(strings.Join(lines, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Common practice, without a source.
func TestPlanOfASpanOf16Feet(t *testing.T) {
	c := benchOfTravel(t, `travel = "16 ft"`)
	if p := planOf(t, 0, "--config", c, "--length", "16 ft"); len(p.Pulls) != 1 || p.Overlap != nil {
		t.Errorf("16 ft: %+v", p)
	}
	if p := planOf(t, 0, "--config", c, "--length", "30 ft"); len(p.Pulls) != 2 || numberText(p.Overlap) != "0.6096" { // 2 ft
		t.Errorf("30 ft: %+v", p)
	}
	if p := planOf(t, 1, "--config", c, "--length", "33 ft"); len(p.Pulls) != 0 || numberText(p.Longest) != "9.7536" { // 32 ft
		t.Errorf("33 ft: %+v", p)
	}
}

// A sling of three legs of 12 m on a bench of 8 m: each leg at both ends, then
// the master link.
func TestPlanOfASling(t *testing.T) {
	p := planOf(t, 0, "--config", dock3, "--length", "12 m", "--fitting-a", "300 mm", "--fitting-b", "0.3 m", "--legs", "3")
	var got []string
	for _, pull := range p.Pulls {
		if (pull.Leg == nil) != (pull.Label == "master link") || (pull.End == nil) != (pull.Leg == nil) || pull.Text == "" {
			t.Errorf("a pull is %+v", pull)
		}
		got = append(got, pull.Label+" "+numberText(pull.From)+" "+numberText(pull.To))
	}
	want := []string{"leg 1, end A 0 8", "leg 1, end B 4 12", "leg 2, end A 0 8", "leg 2, end B 4 12",
		"leg 3, end A 0 8", "leg 3, end B 4 12", "master link null null"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestPlanInWords(t *testing.T) {
	for _, c := range []struct {
		status int
		want   string
		args   []string
	}{
		{0, "Pulls: 1.\n1. whole length: Hold the item by both end fittings; all of it is loaded.\n", []string{"--length", "8 m"}},
		{0, "overlap by 3 m.\n", []string{"--length", "12 m", "--grip", "0.5 m"}},
		{0, "3. master link: ", []string{"--length", "4 m", "--legs", "2"}},
		{1, "The longest that can, with these end fittings, is 16 m.\n", []string{"--length", "17 m"}},
	} {
		status, out, errs := call(t, append([]string{"plan", "--config", dock3}, c.args...)...)
		if status != c.status || !strings.Contains(out, c.want) || errs != "" {
			t.Errorf("%q: status %d, %s%s", c.args, status, out, errs)
		}
	}
}

func TestPlanTakesTheGripOfTheBench(t *testing.T) {
	c := benchOfTravel(t, "travel = \"8 m\"\ngrip = \"1 m\"")
	if p := planOf(t, 1, "--config", c, "--length", "15 m"); numberText(p.Longest) != "14" {
		t.Errorf("the longest is %s", numberText(p.Longest))
	}
	if p := planOf(t, 0, "--config", c, "--length", "15 m", "--grip", "0 m"); numberText(p.Longest) != "16" {
		t.Errorf("the longest is %s", numberText(p.Longest))
	}
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct {
		status int
		says   string
		args   []string
	}{
		{2, "need --config and --length", []string{"--config", dock3}},
		{2, "need --config and --length", []string{"--length", "8 m"}},
		{2, "need --config and --length", []string{"--config", dock3, "--length", "8 m", "more"}},
		{2, `--length: "8" has no unit`, []string{"--config", dock3, "--length", "8"}},
		{2, "--fitting-b: ", []string{"--config", dock3, "--length", "8 m", "--fitting-b", "short"}},
		{2, "the end fittings must not", []string{"--config", dock3, "--length", "8 m", "--fitting-a", "9 m"}},
		{2, "1 to 8 legs", []string{"--config", dock3, "--length", "8 m", "--legs", "0"}},
		{2, "the grip must be", []string{"--config", dock3, "--length", "12 m", "--grip", "8 m"}},
		{78, "no such file", []string{"--config", "missing.toml", "--length", "8 m"}},
		{78, `write travel = "8 m" under [bench]`, []string{"--config", benchOfTravel(t, ""), "--length", "8 m"}},
	} {
		status, out, errs := call(t, append([]string{"plan"}, c.args...)...)
		if status != c.status || !strings.Contains(errs, c.says) || out != "" {
			t.Errorf("%q: status %d and %q, want %d and %q; %s", c.args, status, errs, c.status, c.says, out)
		}
	}
}
