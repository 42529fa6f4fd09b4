package main_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"thimbled/config"
)

const alarmCylinder = `
[cylinder]
bore = "200 mm"
rod = "110 mm"
`

// statusBits lets the simulated indicator say what is wrong with it.
var statusBits = strings.NewReplacer("over_range_bit = 1\n", "over_range_bit = 1\nunder_range_bit = 3\n")

// alarmReading is what bench.<id>.reading says.
type alarmReading struct {
	TakenAt time.Time `json:"taken_at"`
	Quality string    `json:"quality"`
	State   string    `json:"state"`
	Force   *float64  `json:"force_newtons"`
	Min     *float64  `json:"min_newtons"`
	Alarm   *struct {
		Alarm string `json:"alarm"`
		Why   string `json:"why"`
	} `json:"alarm"`
}

type alarmEvent struct {
	Alarm string    `json:"alarm"`
	Why   string    `json:"why"`
	Since time.Time `json:"since_at"`
}

// TestUnpluggedCell unplugs the load cell of a simulated bench in mid-pull, in the three ways
// that an indicator may take it, and looks at what people and services are told.
func TestUnpluggedCell(t *testing.T) {
	for shows, want := range map[string]string{
		"zero": "force-flat", "frozen": "force-flat", "under-range": "force-lost",
	} {
		t.Run(shows, func(t *testing.T) {
			t.Parallel()
			script := fmt.Sprintf("pull p\nrest 60s; unplug-cell \"60 kN\" %s; raise \"102.5 kN\" over 40s; hold 20s; release 20s\npull q\nrest 3600s\n", shows)
			path, journal, nats := alarmBench(t, script, alarmCylinder)
			n := dialNATS(t, nats)
			ask(t, path, 0, "", "job", "open", "--job", "u-1", "--item", "HL-0042", "--required", "100 kN", "--limit", "112 kN", "--hold", "1 s")
			n.subscribe("bench.dock-3.reading")
			raised := readUntilAlarm(t, n, want)
			if got := metricsOf(t, path); !strings.Contains(got, fmt.Sprintf("thimbled_alarm{alarm=%q} 1", want)) {
				t.Errorf("no such alarm in the metrics:\n%s", got)
			}
			until(t, "the pull to end", func() bool { return len(endsOf(t, journal)) > 0 })
			e := endsOf(t, journal)[0]
			if e.Verdict != "void" || !strings.Contains(fmt.Sprint(e.Reasons), "reading-not-trusted") {
				t.Errorf("the pull ended as %s %v", e.Verdict, e.Reasons)
			}
			var told alarmEvent
			var at time.Time
			cleared := false
			until(t, "the alarm to be cleared", func() bool {
				for _, r := range journalOf(t, journal) {
					if r.Type == "thimbled.alarm.raised" && told.Alarm == "" {
						at = timeOf(t, r)
						if err := json.Unmarshal(r.Data, &told); err != nil {
							t.Fatal(err)
						}
					}
					cleared = cleared || r.Type == "thimbled.alarm.cleared"
				}
				return cleared
			})
			if told.Alarm != want || told.Why != raised {
				t.Errorf("the record says %+v, the reading %q", told, raised)
			}
			t.Logf("%s: raised %v after all was well: %s", shows, at.Sub(told.Since), told.Why)
		})
	}
}

// alarmBench is simulatedBench with an indicator that says what is wrong with it.
func alarmBench(t *testing.T, script, more string) (path, journal, nats string) {
	t.Helper()
	path, journal, nats = simulatedBench(t, script, more, statusBits)
	until(t, "the daemon", func() bool { status, _, _ := call(t, "status", "--config", path); return status == 0 })
	return path, journal, nats
}

// readUntilAlarm reads live readings until some have the alarm: they show no force. The
// first still says between what the force was since the message before.
func readUntilAlarm(t *testing.T, n *rawNATS, want string) (why string) {
	t.Helper()
	silent := 0
	for deadline := time.Now().Add(patience); silent < 5; {
		if time.Now().After(deadline) {
			t.Fatal("no alarm in the live readings")
		}
		var r alarmReading
		if err := json.Unmarshal(n.next().body, &r); err != nil {
			t.Fatal(err)
		}
		if r.Alarm == nil {
			continue
		}
		if r.Alarm.Alarm != want || r.Force != nil || r.Min != nil && silent > 0 || r.Quality == "" || r.State != "not-ready" {
			t.Fatalf("the reading is %+v with %+v", r, r.Alarm)
		}
		why = r.Alarm.Why
		silent++
	}
	return why
}

func metricsOf(t *testing.T, path string) string {
	t.Helper()
	c, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.Get("http://" + c.HTTP.Listen + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func timeOf(t *testing.T, r record) time.Time {
	t.Helper()
	found := regexp.MustCompile(`"time":"([^"]+)"`).FindStringSubmatch(r.line)
	if found == nil {
		t.Fatalf("no time in %s", r.line)
	}
	at, err := time.Parse(time.RFC3339Nano, found[1])
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// TestTooMuchFriction pulls with a guide that jams: load and hold are reached, but a person
// must look, and the same is found in the trace when the pull is judged again.
func TestTooMuchFriction(t *testing.T) {
	t.Parallel()
	path, journal, _ := alarmBench(t,
		"pull p\nrest 60s; friction \"20 %\"; raise \"103 kN\" over 40s; hold 30s; release 20s; rest 3600s\n", alarmCylinder)
	until(t, "the pull to end", func() bool { return len(endsOf(t, journal)) == 1 })
	made := endsOf(t, journal)[0]
	if made.Verdict != "unassigned" || fmt.Sprint(made.Reasons) != "[force-pressure-disagree]" {
		t.Fatalf("the pull ended as %s %v", made.Verdict, made.Reasons)
	}
	ask(t, path, 0, "", "job", "open", "--job", "f-1", "--item", "HL-0042", "--required", "100 kN", "--limit", "112 kN", "--hold", "1 s")
	ask(t, path, 0, "force-pressure-disagree", "job", "assign", "--pull", "1")
	for _, r := range journalOf(t, journal) {
		if r.Type != "thimbled.pull.assigned" {
			continue
		}
		var ratio struct {
			Percent float64 `json:"force_pressure_ratio_percent"`
		}
		if err := json.Unmarshal(r.Data, &ratio); err != nil {
			t.Fatal(err)
		}
		if e := r.pullEnd(t); e.Verdict != "review" || fmt.Sprint(e.Reasons) != "[force-pressure-disagree]" || ratio.Percent < 76 || ratio.Percent > 84 {
			t.Errorf("assigned as %s %v with a ratio of %v %%", e.Verdict, e.Reasons, ratio.Percent)
		}
	}
	if text, err := os.ReadFile(filepath.Join(journal, filepath.FromSlash(made.Trace.Name))); err != nil || !strings.Contains(string(text), "pressure_Pa") {
		t.Errorf("the trace has no pressure: %v", err)
	}
}
