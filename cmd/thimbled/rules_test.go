package main_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"thimbled/config/rules"
)

// demandAnswer is what any reader of JSON finds in an answer; numbers stay as
// they were written.
type demandAnswer struct {
	Rule        string       `json:"rule"`
	WLL         json.Number  `json:"wll_newtons"`
	Is          *string      `json:"wll_is"`
	Least       *json.Number `json:"least_newtons"`
	Most        *json.Number `json:"most_newtons"`
	Hold        *json.Number `json:"hold_seconds"`
	Source      string       `json:"source"`
	HowKnown    string       `json:"how_known"`
	Explanation string       `json:"explanation"`
	Warnings    []string     `json:"warnings"`
	Obstacles   []string     `json:"obstacles"`
}

func askRule(t *testing.T, wantStatus int, args ...string) demandAnswer {
	t.Helper()
	status, out, errs := call(t, append([]string{"rules", "--json"}, args...)...)
	var a demandAnswer
	if err := json.Unmarshal([]byte(out), &a); err != nil || status != wantStatus {
		t.Fatalf("%q: status %d, %v, %s%s", args, status, err, out, errs)
	}
	return a
}

func numberText(n *json.Number) string {
	if n == nil {
		return "null"
	}
	return n.String()
}

// Figures: the vectors of the published rules, in newtons at standard gravity
// (NIST SP 811: 9.80665 m/s², the short ton 907.18474 kg).
func TestRulesAnswer(t *testing.T) {
	for _, c := range []struct {
		least, most, hold, source string
		args                      []string
	}{
		{"490332.5", "null", "null", "ILO ports code App. (C152)", []string{"ilo_loose", "--wll", "25 t"}},
		{"555056.39", "null", "null", "ILO ports code App. (C152)", []string{"--wll", "30 t", "ilo_loose"}},
		{"392275.807", "null", "null", "29 CFR 1919.31(a)", []string{"cfr1919_31_multi", "--wll=20.001 t"}},
		{"2668932.97", "2935826.266", "null", "ASME B30.26-2010 26-1.4.2", []string{"--wll", "150 short-ton", "b30_26"}},
		{"98066.5", "150000", "null", "ASME B30.9 9-2.6.2", []string{"b30_9_socket", "--wll", "5 t", "--strength", "300 kN"}},
		{"93163.175", "98066.5", "120", "NAVFAC P-307 Table 14-x", []string{"p307_factor", "--wll", "5 t"}},
		{"null", "null", "15", "ASME B30.10-2005 10-1.2.2", []string{"b30_10_hold", "--wll", "5 t"}},
	} {
		a := askRule(t, 0, c.args...)
		if numberText(a.Least) != c.least || numberText(a.Most) != c.most || numberText(a.Hold) != c.hold || a.Source != c.source || len(a.Obstacles) > 0 {
			t.Errorf("%q: %s to %s for %s by %s, want %s to %s for %s by %s; %q", c.args,
				numberText(a.Least), numberText(a.Most), numberText(a.Hold), a.Source, c.least, c.most, c.hold, c.source, a.Obstacles)
		}
		if a.Explanation == "" || a.HowKnown == "" || a.Least != nil && len(a.Warnings) == 0 || (a.Is == nil) != (a.Least == nil) {
			t.Errorf("%q: %+v", c.args, a)
		}
	}
}

// Source: chain_slings.csv of the rules: 7100 lb on three legs at 60 degrees is
// 18446.3 lb.
func TestRulesSayWhatASlingShouldBeMarkedWith(t *testing.T) {
	a := askRule(t, 0, "b30_9_chain", "--wll", "7100 lb", "--legs", "3", "--angle", "60")
	if !strings.Contains(a.Explanation, "18446.341 lb") || numberText(a.Least) != "63164.747" {
		t.Errorf("got %+v", a)
	}
}

const ownRule = `
[[rule]]
id = "loft_spreader"
item = "spreader of our own make"
document = "loft instruction 7"
least = "1.25 x WLL"
most = "1.3 x WLL"
hold = "60 s"
`

// benchWith writes the example's config with more in it.
func benchWith(t *testing.T, more string) string {
	t.Helper()
	example, err := os.ReadFile(dock3)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(path, append(example, more...), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestRulesOfTheLoft(t *testing.T) {
	a := askRule(t, 0, "loft_spreader", "--wll", "100 kN", "--config", benchWith(t, ownRule))
	if numberText(a.Least) != "125000" || numberText(a.Most) != "130000" || numberText(a.Hold) != "60" || a.HowKnown != rules.OwnRule {
		t.Errorf("got %+v", a)
	}
}

// The answer is no if the bench is too weak, or if nothing can meet the rule.
func TestRulesThatCannotBeMet(t *testing.T) {
	a := askRule(t, 1, "ilo_loose", "--wll", "125001 N", "--config", dock3)
	if numberText(a.Least) != "250002" || len(a.Obstacles) != 1 || !strings.Contains(a.Obstacles[0], "250000 N") {
		t.Errorf("too weak: %+v", a)
	}
	if a := askRule(t, 0, "ilo_loose", "--wll", "125 kN", "--config", dock3); numberText(a.Least) != "250000" {
		t.Errorf("just strong enough: %+v", a)
	}
	a = askRule(t, 1, "b30_9_socket", "--wll", "25 t", "--strength", "120 kN")
	if numberText(a.Least) != "490332.5" || numberText(a.Most) != "60000" || len(a.Obstacles) != 1 {
		t.Errorf("nothing meets both: %+v", a)
	}
	status, out, _ := call(t, "rules", "ilo_loose", "--wll", "20 t", "--config", dock3)
	if status != 1 || !strings.Contains(out, "least   392266 N (392.27 kN)\nmost    not set\nhold    not set\n") || !strings.Contains(out, "\nno: ") {
		t.Errorf("in words: %d, %s", status, out)
	}
}

func TestRulesListed(t *testing.T) {
	config := benchWith(t, ownRule)
	status, out, errs := call(t, "rules", "--config", config)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errs)
	}
	_, listed, _ := call(t, "rules", "--config", config, "--json")
	var all []struct {
		Rule, Source, Item string
		HowKnown           string `json:"how_known"`
		Branches           []struct{ Least string }
	}
	if err := json.Unmarshal([]byte(listed), &all); err != nil || len(all) != len(rules.Published())+1 {
		t.Fatalf("%d rules, %v", len(all), err)
	}
	lines := strings.Split(out, "\n")
	n := 1
	for _, r := range all {
		line := lines[n]
		for _, part := range []string{r.Rule, r.Source, r.HowKnown, r.Item} {
			if part == "" || !strings.Contains(line, part) {
				t.Errorf("%s: no %q in %q", r.Rule, part, line)
			}
		}
		for i, b := range r.Branches {
			if !strings.Contains(lines[n+i], b.Least) {
				t.Errorf("%s: no %q in %q", r.Rule, b.Least, lines[n+i])
			}
		}
		n += max(1, len(r.Branches))
	}
	if n != len(lines)-1 {
		t.Errorf("%d lines, want %d", len(lines)-1, n)
	}
}

func TestRulesRefuse(t *testing.T) {
	for _, c := range []struct {
		status int
		says   string
		args   []string
	}{
		{2, `did you mean "ilo_loose"?`, []string{"ilo_lose", "--wll", "5 t"}},
		{2, "need the item's working load limit", []string{"ilo_loose"}},
		{2, "--wll: \"25\" has no unit", []string{"ilo_loose", "--wll", "25"}},
		{2, "out of range", []string{"ilo_loose", "--wll", "0 t"}},
		{2, "--strength: ", []string{"ilo_loose", "--wll", "5 t", "--strength", "much"}},
		{2, "write it as --strength", []string{"b30_9_socket", "--wll", "5 t"}},
		{2, "one word too many", []string{"ilo_loose", "ilo_multi", "--wll", "5 t"}},
		{2, "go with a rule's id", []string{"--wll", "5 t"}},
		{2, "go with a rule's id", []string{"--legs", "2"}},
		{2, "have no meaning with ilo_loose", []string{"ilo_loose", "--wll", "5 t", "--legs", "2"}},
		{2, "50 degrees are in no table", []string{"b30_9_chain", "--wll", "5 t", "--legs", "2", "--angle", "50"}},
		{2, "0 legs are in no table", []string{"b30_9_chain", "--wll", "5 t", "--angle", "60"}},
		{2, "not defined", []string{"ilo_loose", "--nonsense"}},
		{78, "no such file", []string{"--config", "missing.toml"}},
		{78, "is the id of a published rule", []string{"--config", benchWith(t, strings.Replace(ownRule, "loft_spreader", "ilo_loose", 1))}},
	} {
		status, out, errs := call(t, append([]string{"rules"}, c.args...)...)
		if status != c.status || !strings.Contains(errs, c.says) || out != "" {
			t.Errorf("%q: status %d and %q, want %d and %q; %s", c.args, status, errs, c.status, c.says, out)
		}
	}
}
