package main_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// simulatedBench starts the simulated bench with a script, in a process of its own, and
// a daemon that reads it over Modbus TCP.
func simulatedBench(t *testing.T, script, more string, changes ...*strings.Replacer) (path, journal, nats string) {
	t.Helper()
	dir := t.TempDir()
	pulls := filepath.Join(dir, "pulls.txt")
	if err := os.WriteFile(pulls, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	s := start(t, "simulate", "--dir", dir, "--fast", "10", "--pulls", pulls)
	place := regexp.MustCompile(`Modbus TCP +(127\.0\.0\.1:\d+)`)
	until(t, "the simulated bench", func() bool { return place.MatchString(s.out.String()) })
	nats = reserve(t)
	journal, path = filepath.Join(dir, "journal"), filepath.Join(dir, "bench.toml")
	text := fmt.Sprintf(simulatedConfig, place.FindStringSubmatch(s.out.String())[1], journal, nats, reserve(t)) + more
	for _, change := range changes {
		text = change.Replace(text)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	start(t, "run", "--config", path)
	return path, journal, nats
}

const simulatedConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"
travel = "8 m"

[[line]]
name = "gateway"
kind = "tcp"
address = %q

[load]
line = "gateway"
unit_id = 1
register = 0
type = "float32"
unit = "kN"
every = "20 ms"
timeout = "100 ms"
status_register = 2
over_range_bit = 1
not_ready_bit = 2
constant_register = 16
constant_type = "uint32"

[pressure]
line = "gateway"
unit_id = 2
register = 0
type = "uint16"
scale = 0.01
unit = "bar"

# A busy machine may not read for a while; here that must not matter.
[capture]
max_gap = "2 s"

[journal]
dir = %q

[nats]
listen = %q

[http]
listen = %q
`

// ask runs a command that asks the daemon and expects a status.
func ask(t *testing.T, path string, want int, says string, args ...string) string {
	t.Helper()
	status, out, errs := call(t, append(args, "--config", path, "--by", "tester")...)
	if status != want || !strings.Contains(out+errs, says) {
		t.Fatalf("%q: status %d, %s%s; want %d and %q", args, status, out, errs, want, says)
	}
	return out
}

// readinessOf reads the list from the daemon's status.
func readinessOf(t *testing.T, n *rawNATS) map[string]string {
	t.Helper()
	var s struct {
		Readiness []struct{ Check, State string }
	}
	if err := json.Unmarshal(n.ask("bench.dock-3.ask.status", "").body, &s); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, c := range s.Readiness {
		out[c.Check] = c.State
	}
	return out
}

// TestPullAssignedAfterwards makes a pull without a job and assigns it to one
// afterwards: the same code judges it again from its trace. Then the item is inspected.
func TestPullAssignedAfterwards(t *testing.T) {
	t.Parallel()
	path, journal, nats := simulatedBench(t,
		"pull quiet\nrest 60s; raise \"102.5 kN\" over 20s; hold 34s; release 20s; rest 3600s\n", "")
	until(t, "the daemon", func() bool { status, _, _ := call(t, "status", "--config", path); return status == 0 })
	n := dialNATS(t, nats)
	until(t, "the force to rest", func() bool { return readinessOf(t, n)["still"] == "in-order" })
	if got := readinessOf(t, n); got["zero"] != "not-in-order" || got["load"] != "in-order" || got["constant"] != "in-order" {
		t.Errorf("readiness before zero is set: %v", got)
	}
	ask(t, path, 0, `"by":"tester"`, "zero")
	until(t, "zero to be in order", func() bool { return readinessOf(t, n)["zero"] == "in-order" })
	until(t, "the pull to end", func() bool { return len(endsOf(t, journal)) == 1 })
	made := endsOf(t, journal)[0]
	if made.Verdict != "unassigned" || made.Required != nil || made.Job != "" {
		t.Fatalf("a pull without a job ended as %+v", made)
	}
	ask(t, path, 1, "no job is open", "job", "assign", "--pull", "1")
	ask(t, path, 0, "", "job", "open", "--job", "late-1", "--item", "HL-0042", "--required", "100 kN", "--limit", "112 kN", "--hold", "3 s")
	ask(t, path, 1, "is open", "weigh", "start")
	ask(t, path, 1, "is no pull 9", "job", "assign", "--pull", "9")
	ask(t, path, 0, "", "job", "assign", "--pull", "1")
	ask(t, path, 1, "no job is open", "job", "assign", "--pull", "1")
	ask(t, path, 0, "", "job", "open", "--job", "late-2", "--item", "HL-0043", "--required", "100 kN")
	ask(t, path, 1, "belongs to job late-1 already", "job", "assign", "--pull", "1")
	ask(t, path, 1, "say why", "job", "cancel")
	ask(t, path, 0, "", "job", "cancel", "--why", "wrong item")
	ask(t, path, 2, "accepted or rejected", "inspect", "--job", "late-1", "--inspector", "B. Ek", "--finding", "fine", "--examined", "wires")
	ask(t, path, 1, "no test of job", "inspect", "--job", "late-2", "--inspector", "B. Ek", "--finding", "accepted", "--examined", "wires")
	ask(t, path, 0, "", "inspect", "--job", "late-1", "--inspector", "B. Ek", "--finding", "accepted", "--examined", "wires")
	checkAssigned(t, journalOf(t, journal), made)
	checkCapture(t, path)
}

// checkCapture records the line while it is polled: requests and answers are in
// the file.
func checkCapture(t *testing.T, path string) {
	t.Helper()
	ask(t, path, 1, "no line", "capture", "--line", "none")
	ask(t, path, 2, "at most", "capture", "--line", "gateway", "--for", "1 h")
	var answer struct{ File string }
	if err := json.Unmarshal([]byte(ask(t, path, 0, "file", "capture", "--line", "gateway", "--for", "300 ms")), &answer); err != nil {
		t.Fatal(err)
	}
	until(t, "the recording to have some exchanges", func() bool {
		text, err := os.ReadFile(answer.File)
		return err == nil && strings.Count(string(text), " tx ") > 5 && strings.Count(string(text), " rx ") > 5
	})
}

// checkAssigned compares the pull as it was assigned, and in the test's result,
// with the pull as it was made.
func checkAssigned(t *testing.T, records []record, made pullEnd) {
	t.Helper()
	var kinds []string
	for _, r := range records {
		kinds = append(kinds, strings.TrimPrefix(r.Type, "thimbled."))
		if r.Type != "thimbled.pull.assigned" {
			continue
		}
		e := r.pullEnd(t)
		if e.Verdict != "pass" || e.Job != "late-1" || e.Peak != made.Peak || e.Highest != made.Highest ||
			e.Started != made.Started || *e.Ended != *made.Ended || *e.Shift != *made.Shift || *e.Trace != *made.Trace {
			t.Errorf("assigned as %+v, made as %+v", e, made)
		}
		if e.Hold < 3 || e.Hold > 4 {
			t.Errorf("a hold of 3.4 s counts as %v s", e.Hold)
		}
	}
	got := strings.Join(kinds, " ")
	for _, want := range []string{"pull.ended job.opened pull.assigned test.ended job.opened job.cancelled item.inspected"} {
		if !strings.Contains(got, want) {
			t.Errorf("the journal has %s, not %s", got, want)
		}
	}
}

// TestWeighing weighs with the simulated bench as if its cell hung on a hook.
func TestWeighing(t *testing.T) {
	t.Parallel()
	path, journal, nats := simulatedBench(t,
		"pull lift\nrest 60s; raise \"42 kN\" over 10s; hold 40s; release 15s; rest 3600s\n",
		"\n[zero]\nmotion = \"1 kN\"\n") // at ten times its speed the cylinder creeps and is topped up within the settling time
	until(t, "the daemon", func() bool { status, _, _ := call(t, "status", "--config", path); return status == 0 })
	n := dialNATS(t, nats)
	until(t, "the force to rest", func() bool { return readinessOf(t, n)["still"] == "in-order" })
	ask(t, path, 0, "", "zero")
	ask(t, path, 0, "", "weigh", "start", "--item", "HL-0050")
	ask(t, path, 1, "weighing is on", "job", "open", "--item", "HL-0051", "--required", "100 kN")
	var weighed record
	until(t, "the lift to be weighed", func() bool {
		for _, r := range journalOf(t, journal) {
			if r.Type == "thimbled.item.weighed" {
				weighed = r
			}
		}
		return weighed.Type != ""
	})
	ask(t, path, 0, `"lifts":1`, "weigh", "stop")
	var w struct {
		Item   string  `json:"item"`
		Net    float64 `json:"net_newtons"`
		Stable float64 `json:"stable_seconds"`
	}
	if err := json.Unmarshal(weighed.Data, &w); err != nil {
		t.Fatal(err)
	}
	if w.Item != "HL-0050" || w.Net < 41000 || w.Net > 43000 || w.Stable < 1 {
		t.Errorf("weighed %s", weighed.Data)
	}
	if e := endsOf(t, journal); len(e) != 0 {
		t.Errorf("a weighing was taken for a pull: %+v", e)
	}
}
