package main_test

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestDemoIsJudgedAgain lets the demo pull, with its own daemon on its simulated bench, and
// judges its pulls again by the command.
func TestDemoIsJudgedAgain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if status, _, errs := do(t, "demo", "--fast", "20", "--for", "12s", "--dir", dir); status != 0 {
		t.Fatalf("demo: status %d, %s", status, errs)
	}
	status, out, errs := call(t, "audit", "--recompute", dir)
	if status != 0 || !strings.Contains(out, "every figure agrees") {
		t.Fatalf("audit: status %d, %s%s", status, out, errs)
	}
	var answer struct {
		Sound      bool
		Recomputed struct {
			Pulls, Differences int
			There              int `json:"pulls_on_record"`
		}
	}
	status, out, _ = call(t, "audit", "--recompute", "--json", dir)
	if err := json.Unmarshal([]byte(out), &answer); err != nil {
		t.Fatal(err)
	}
	if r := answer.Recomputed; status != 0 || !answer.Sound || r.Pulls < 1 || r.Pulls != r.There || r.Differences != 0 {
		t.Errorf("status %d: %s", status, out)
	}
	for _, wrong := range [][]string{{"--config", "x.toml"}, {"--rescale"}, {"--recompute", "--rescale"}} {
		if status, _, errs := call(t, append(append([]string{"audit"}, wrong...), dir)...); status != 2 {
			t.Errorf("%q: status %d, %s", wrong, status, errs)
		}
	}
}
