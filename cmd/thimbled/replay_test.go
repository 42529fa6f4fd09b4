package main_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	main "thimbled/cmd/thimbled"
)

// pullEnd is what a test reads of a thimbled.pull.ended event.
type pullEnd struct {
	Pull     int      `json:"pull"`
	Started  string   `json:"started_at"`
	Ended    *string  `json:"ended_at"`
	Peak     float64  `json:"peak_newtons"`
	Highest  float64  `json:"highest_newtons"`
	Required *float64 `json:"required_newtons"`
	Hold     float64  `json:"hold_seconds"`
	Gap      float64  `json:"longest_gap_seconds"`
	Shift    *float64 `json:"zero_shift_newtons"`
	Verdict  string   `json:"verdict"`
	Reasons  []string `json:"reasons"`
	Job      string   `json:"job"`
	Trace    *struct {
		Name   string `json:"name"`
		SHA256 string `json:"sha256"`
	} `json:"trace"`
}

// cloudEvent is an event as any reader of CloudEvents JSON sees it.
type cloudEvent struct {
	ID   string          `json:"id"`
	Type string          `json:"type"`
	Time time.Time       `json:"time"`
	Data json.RawMessage `json:"data"`
}

func (e cloudEvent) pullEnd(t testing.TB) pullEnd {
	t.Helper()
	var p pullEnd
	if err := json.Unmarshal(e.Data, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

func cloudEvents(t testing.TB, lines []byte) []cloudEvent {
	t.Helper()
	var out []cloudEvent
	for line := range bytes.Lines(lines) {
		var e cloudEvent
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		out = append(out, e)
	}
	return out
}

func pullEnds(t testing.TB, events []cloudEvent) []pullEnd {
	t.Helper()
	var out []pullEnd
	for _, e := range events {
		if e.Type == "thimbled.pull.ended" {
			out = append(out, e.pullEnd(t))
		}
	}
	return out
}

// call runs the program in this process and returns its status and output.
func call(t testing.TB, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var o, e bytes.Buffer
	status = main.Run(t.Context(), main.Streams(&o, &e), args)
	return status, o.String(), e.String()
}

const dock3 = "../../config/dock-3.toml"

func replayTrace(t testing.TB, name string, more ...string) []cloudEvent {
	t.Helper()
	args := append([]string{"replay", "--config", dock3}, more...)
	status, out, errs := call(t, append(args, filepath.Join("../../testdata/traces", name+".csv"))...)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errs)
	}
	return cloudEvents(t, []byte(out))
}

var demanded = []string{"--required", "100 kN", "--limit", "112 kN", "--hold", "10 s"}

// TestReplay gives each hand-made trace the answers that the rules of capture
// give: worked out by hand from how the trace was made.
func TestReplay(t *testing.T) {
	type pull struct {
		peak, highest, hold, gap float64
		verdict, reasons         string
	}
	for name, want := range map[string][]pull{
		// the last reading of the ramp is 101 kN already, then 240 more of them: 240 steps of 50 ms
		"plain-pull":              {{101000, 101000, 12, 0, "pass", ""}},
		"two-pulls":               {{101000, 101000, 12, 0, "pass", ""}, {101000, 101000, 11, 0, "pass", ""}},
		"no-rearm-between-levels": {{103980, 105000, 12, 0, "pass", ""}},
		"spike-up":                {{101000, 180000, 12.05, 0, "review", "single-reading-above-limit"}},
		"spike-down":              {{101000, 101000, 12.05, 0, "pass", ""}},
		"spike-at-rest":           {{101000, 101000, 12, 0, "pass", ""}},
		// eight lost polls leave 0.45 s between good readings; the readings beside it are not confirmed
		"gap-in-hold":       {{101000, 101000, 5.95, 0.45, "incomplete", "hold-not-reached gap-in-pull"}},
		"gap-outside-hold":  {{101000, 101000, 12.05, 0.55, "review", "gap-in-pull"}},
		"lost-single-polls": {{101000, 101000, 12.1, 0, "pass", ""}},
		// five steps of the sag are still at or above 100 kN
		"sag-below": {{101000, 101000, 6.25, 0, "incomplete", "hold-not-reached"}},
		// from the 89th of 100 steps of the ramp on, 12 readings, then 260 more
		"over-limit":        {{113000, 113000, 13.55, 0, "exceeded", "above-limit"}},
		"short-hold":        {{101000, 101000, 5, 0, "incomplete", "hold-not-reached"}},
		"never-reached":     {{90000, 90000, 0, 0, "incomplete", "hold-not-reached"}},
		"stops-in-mid-pull": {{101000, 101000, 4.95, 0, "incomplete", "hold-not-reached interrupted"}},
	} {
		t.Run(name, func(t *testing.T) {
			ends := pullEnds(t, replayTrace(t, name, demanded...))
			var got []pull
			for _, e := range ends {
				got = append(got, pull{e.Peak, e.Highest, e.Hold, e.Gap, e.Verdict, strings.Join(e.Reasons, " ")})
				if (e.Ended == nil) != slices.Contains(e.Reasons, "interrupted") {
					t.Errorf("ended %v but reasons %v", e.Ended, e.Reasons)
				}
			}
			if !slices.Equal(got, want) {
				t.Errorf("got  %+v\nwant %+v", got, want)
			}
		})
	}
}

func TestReplayWithoutRequirement(t *testing.T) {
	e := pullEnds(t, replayTrace(t, "plain-pull"))
	if len(e) != 1 || e[0].Verdict != "unassigned" || e[0].Required != nil || e[0].Peak != 101000 {
		t.Errorf("got %+v", e)
	}
}

func TestReplayGuard(t *testing.T) {
	e := pullEnds(t, replayTrace(t, "plain-pull", append(demanded, "--guard", "2 %")...))
	if len(e) != 1 || e[0].Verdict != "incomplete" || *e[0].Required != 102000 {
		t.Errorf("got %+v", e)
	}
}

// TestReplayTimes checks that time counts from the Unix epoch.
func TestReplayTimes(t *testing.T) {
	events := replayTrace(t, "plain-pull", demanded...)
	if got := events[0].Time.Sub(time.Unix(0, 0)); got != 2200*time.Millisecond {
		t.Errorf("the pull started at %v, not at 2.2 s", got)
	}
}

func TestReplayRefusals(t *testing.T) {
	trace := filepath.Join("../../testdata/traces", "plain-pull.csv")
	bad := filepath.Join(t.TempDir(), "bad.csv")
	if err := os.WriteFile(bad, []byte("elapsed_s,force_N,pressure_Pa,quality\n0,0,,\n0,0,,\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		status int
		says   string
		args   []string
	}{
		{2, "need --config", []string{"replay", trace}},
		{2, "go with --required", []string{"replay", "--config", dock3, "--hold", "3 s", trace}},
		{2, "required: ", []string{"replay", "--config", dock3, "--required", "100", trace}},
		{2, "the limit must not be below", []string{"replay", "--config", dock3, "--required", "100 kN", "--limit", "99 kN", trace}},
		{2, "the level that starts a pull", []string{"replay", "--config", dock3, "--required", "1 kN", trace}},
		{78, "no such file", []string{"replay", "--config", "missing.toml", trace}},
		{74, "no such file", []string{"replay", "--config", dock3, "missing.csv"}},
		{74, "line 3", []string{"replay", "--config", dock3, bad}},
		{2, "no command", []string{"reply"}},
		{2, "not defined", []string{"replay", "--nonsense"}},
	} {
		status, _, errs := call(t, c.args...)
		if status != c.status || !strings.Contains(errs, c.says) {
			t.Errorf("%q: status %d and %q, want %d and %q", c.args, status, errs, c.status, c.says)
		}
	}
}
