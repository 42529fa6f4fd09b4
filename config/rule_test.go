package config

import (
	"os"
	"strings"
	"testing"
	"time"

	"thimbled/config/rules"
	"thimbled/peak"
)

// Rules of the loft's own are found beside the published ones, their branches
// put together, and reckoned alike.
func TestOwnRules(t *testing.T) {
	cfg, err := Load("testdata/warn/rules.toml")
	if err != nil {
		t.Fatal(err)
	}
	spreader, err := rules.Find("loft_spreader", cfg.Rules...)
	if err != nil {
		t.Fatal(err)
	}
	if spreader.HowKnown != rules.OwnRule || spreader.Source() != "loft instruction 7" || !spreader.SetsLoad() {
		t.Errorf("the rule is %+v", spreader)
	}
	for wll, want := range map[string][2]peak.Force{ // by hand, in tonnes x 9806.65 N
		"8 t":    {98066_500, 101989_160},  // 10 t and 10.4 t
		"10 t":   {122583_125, 127486_450}, // 12.5 t and 13 t
		"10.1 t": {123563_790, 128467_115}, // 12.6 t and 13.1 t
	} {
		load, err := rules.ParseLoad(wll)
		if err != nil {
			t.Fatal(err)
		}
		d, err := spreader.Demand(load, peak.Maybe[rules.Load]{})
		if err != nil || d.Least.Value != want[0] || d.Most.Value != want[1] || d.Hold != peak.Known(time.Minute) {
			t.Errorf("%s: %+v, %v, want %v", wll, d, err, want)
		}
	}
	if _, err := rules.Find("ilo_loose", cfg.Rules...); err != nil {
		t.Error(err)
	}
	if len(rules.All(cfg.Rules...)) != len(rules.Published())+2 {
		t.Errorf("%d rules of our own", len(cfg.Rules))
	}
}

// The sample of a rule in the reference is one that could be used.
func TestReferenceRuleIsValid(t *testing.T) {
	reference, err := os.ReadFile("reference.toml")
	if err != nil {
		t.Fatal(err)
	}
	_, sample, found := strings.Cut(string(reference), "# [[rule]]\n")
	if !found {
		t.Fatal("the reference has no rule")
	}
	var keys strings.Builder
	for line := range strings.Lines(sample) {
		if key, ok := strings.CutPrefix(line, "# "); ok && strings.Contains(key, ` = "`) && !strings.Contains(key, ";") {
			keys.WriteString(key)
		}
	}
	cfg := parse(t, minimal+"[[rule]]\n"+keys.String())
	if len(cfg.Rules) != 1 || !cfg.Rules[0].Hold.Known || !cfg.Rules[0].Branches[0].Most.Known || !cfg.Rules[0].Branches[0].UpTo.Known {
		t.Errorf("the sample is %+v", cfg.Rules)
	}
}
