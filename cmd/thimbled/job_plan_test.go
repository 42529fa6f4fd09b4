package main_test

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestJobsByRuleAndPlan opens jobs by rule and by length, over NATS with plain
// requests, and checks what was planned; wrong input is refused with a
// sentence that says what to do.
func TestJobsByRuleAndPlan(t *testing.T) {
	t.Parallel()
	path, _, nats := simulatedBench(t, "pull none\nrest 3600s\n", "")
	until(t, "the daemon", func() bool { status, _, _ := call(t, "status", "--config", path); return status == 0 })
	n := dialNATS(t, nats)
	until(t, "a first reading", func() bool { return readinessOf(t, n)["load"] == "in-order" })
	for _, c := range []struct{ body, planned, refused string }{
		// ILO, hook of 5 t: 2 x WLL = 10 t, at standard gravity 98066.5 N (proof_vectors: ilo_loose doubles up to 25 t)
		{`{"item":"HK-1","rule":"ilo_loose","wll":"5 t","hold":"10 s"}`, "whole length 98066.5", ""},
		// 12 m on a bench of 8 m: turned end for end
		{`{"item":"WR-1","required":"100 kN","length":"12 m"}`, "end A 100000, end B 100000", ""},
		// each leg to twice its own rating (1 t), the master link to that of all three
		{`{"item":"CS-1","rule":"doe1090_chain","wll":"1 t","length":"4 m","legs":3}`,
			"leg 1 18632.635, leg 2 18632.635, leg 3 18632.635, master link 55897.905", ""},
		{`{"item":"X","required":"100 kN","pulls":[{"label":"eye"},{"label":"hook","required":"50 kN"}]}`, "eye 100000, hook 50000", ""},
		{`{"item":"X","required":"100 kN","length":"17 m"}`, "", "cannot be tested whole on this bench"},
		{`{"item":"X","rule":"ilo_loose","wll":"20 t"}`, "", "this bench"},
		{`{"item":"X","rule":"ilo_lose","wll":"5 t"}`, "", "ilo_loose"},
		{`{"item":"X","rule":"ilo_loose"}`, "", "needs the working load limit"},
		{`{"item":"X","rule":"ilo_loose","wll":"5 t","required":"9 kN"}`, "", "not both"},
		{`{"item":"X"}`, "", "say what force"},
		{`{"item":"X","required":"100"}`, "", "unit"},
		{`{"item":"X","required":"100 kN","limit":"90 kN"}`, "", "the limit must not be below"},
		{`{"required":"100 kN"}`, "", "the item's tag"},
		{`{"itm":"X"}`, "", "unknown field"},
		{`nonsense`, "", "must be JSON"},
	} {
		body := strings.Replace(c.body, "{", `{"by":"tester",`, 1)
		m := n.ask("bench.dock-3.ask.job.open", body)
		if c.refused != "" {
			if why := strings.Join(m.header["Nats-Service-Error"], ""); !strings.Contains(why, c.refused) {
				t.Errorf("%s: refused with %q, want %q", body, why, c.refused)
			}
			continue
		}
		if got := plannedIn(t, m.body); got != c.planned {
			t.Errorf("%s: planned %s, want %s (%v)", body, got, c.planned, m.header)
		}
		if m := n.ask("bench.dock-3.ask.job.cancel", `{"by":"tester","why":"next"}`); m.header["Nats-Service-Error"] != nil {
			t.Fatal(m.header)
		}
	}
	if m := n.ask("bench.dock-3.ask.rules", ""); !strings.Contains(string(m.body), `"ilo_multi"`) {
		t.Errorf("rules: %s", m.body)
	}
	if m := n.ask("bench.dock-3.ask.rules", `{"rule":"ilo_multi","wll":"50 t"}`); !strings.Contains(string(m.body), `"least_newtons": 722259.773`) {
		t.Errorf("what a rule asks: %s", m.body) // 73.65 t (proof_vectors) x 9806.65 N, rounded up
	}
	if m := n.ask("bench.dock-3.ask.plan", `{"length":"12 m"}`); !strings.Contains(string(m.body), `"end A"`) {
		t.Errorf("plan: %s", m.body)
	}
}

func plannedIn(t *testing.T, body []byte) string {
	t.Helper()
	var j struct {
		Planned []struct {
			Label    string      `json:"label"`
			Required json.Number `json:"required_newtons"`
		} `json:"planned"`
	}
	if err := json.Unmarshal(body, &j); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	var out []string
	for _, p := range j.Planned {
		out = append(out, p.Label+" "+p.Required.String())
	}
	return strings.Join(out, ", ")
}

// TestDecisionRules opens jobs on a bench whose config raises the required force by 2 %.
func TestDecisionRules(t *testing.T) {
	t.Parallel()
	path, _, _ := simulatedBench(t, "pull none\nrest 3600s\n", "\n[decision]\nrule = \"guard\"\nguard = \"2 %\"\n")
	until(t, "the daemon", func() bool { status, _, _ := call(t, "status", "--config", path); return status == 0 })
	for _, c := range []struct {
		flags          string
		rule, required string
		refused        string
		status         int
	}{
		{"", "guard", "102000", "", 0},
		{"--guard 3.5%", "guard", "103500", "", 0},
		{"--decision guard", "guard", "102000", "", 0},
		{"--decision simple", "simple", "100000", "", 0},
		{"--decision uncertainty", "", "", "needs a verification in force", 1},
		{"--decision simple --guard 1%", "", "", "no meaning", 2},
		{"--decision best", "", "", "no decision rule", 2},
	} {
		args := append([]string{"job", "open", "--item", "HL-1", "--required", "100 kN"}, strings.Fields(c.flags)...)
		out := ask(t, path, c.status, c.refused, args...)
		if c.refused != "" {
			continue
		}
		if !strings.Contains(out, `"decision_rule":"`+c.rule+`"`) || plannedIn(t, []byte(out)) != "whole length "+c.required {
			t.Errorf("%q: %s", c.flags, out)
		}
		ask(t, path, 0, "", "job", "cancel", "--why", "next")
	}
}
