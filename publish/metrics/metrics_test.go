package metrics

import (
	"bytes"
	"errors"
	"flag"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"thimbled/peak"
	"thimbled/publish"
)

var update = flag.Bool("update", false, "write the golden exposition anew")

// midPull is a bench in the middle of a pull, its pressure transducer dead.
func midPull() *publish.Snapshot {
	return &publish.Snapshot{
		Bench: "dock-3", Version: "0.1.0", Clock: publish.Clock{Epoch: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)},
		State: peak.State{
			At: 100 * time.Second, TakenAt: 99990 * time.Millisecond, Phase: peak.PhasePulling, InPull: true, Pull: 2,
			Net: peak.Known(98_500_500 * peak.Millinewton), Peak: peak.Known(100 * peak.Kilonewton),
			Pressure: peak.Known(12 * peak.Megapascal), Zero: -20 * peak.Newton, Tare: 1200 * peak.Newton,
		},
		Instruments: []publish.Instrument{
			{Name: "load", LastGood: peak.Known(99990 * time.Millisecond)},
			{Name: "pressure", LastGood: peak.Known(80 * time.Second), Quality: peak.Timeout, Lost: true, Why: "no answer in 100 ms"},
		},
		Checks: []publish.Check{
			{Name: "load", State: publish.InOrder}, {Name: "clock", State: publish.Attention},
			{Name: "pressure", State: publish.NotInOrder}, {Name: "pressure-low", State: publish.Waiting},
		},
	}
}

// made returns metrics of the snapshot at an elapsed time, fed with some polls and
// events.
func made(s *publish.Snapshot, now time.Duration) *Metrics {
	m := New(Options{
		Version: "0.1.0", Instruments: []string{"load", "pressure"},
		Snapshot: func() *publish.Snapshot { return s }, Now: func() time.Duration { return now },
		Records:     func() uint64 { return 42 },
		Unpublished: func() (uint64, bool) { return 3, true },
		Dropped:     func() uint64 { return 7 },
		Broker:      func() error { return nil },
	})
	for range 9 {
		m.ObservePoll("load", peak.Good, 6*time.Millisecond, 600*time.Microsecond)
	}
	m.ObservePoll("pressure", peak.Timeout, 100*time.Millisecond, 3*time.Millisecond)
	m.ObservePoll("pressure", peak.Garbled, 8*time.Millisecond, -time.Microsecond)
	m.CountMissed("pressure", 4)
	m.ObserveSync(700 * time.Microsecond)
	m.CountEvent(peak.PullStarted{Pull: 1})
	m.CountEvent(peak.PullEnded{Pull: 1, Verdict: peak.Pass, EndedAt: peak.Known(62500 * time.Millisecond), DecidedAt: 63 * time.Second, PressureRatio: peak.Known[peak.Ratio](951_200)})
	m.CountEvent(peak.TestEnded{Verdict: peak.Pass})
	m.CountEvent(peak.PullStarted{Pull: 2})
	m.CountEvent(peak.DaemonStarted{})
	m.CountEvent(peak.AlarmRaised{Alarm: peak.ForceFlat})
	return m
}

// exposition is what a scrape gets, of our own metrics.
func exposition(t *testing.T, m *Metrics) string {
	t.Helper()
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	var ours []string
	for line := range strings.Lines(w.Body.String()) {
		if strings.HasPrefix(line, "thimbled_") || strings.HasPrefix(line, "# HELP thimbled_") || strings.HasPrefix(line, "# TYPE thimbled_") {
			ours = append(ours, strings.Replace(line, runtime.Version(), "GOVERSION", 1))
		}
	}
	return strings.Join(ours, "")
}

func TestExposition(t *testing.T) {
	got := exposition(t, made(midPull(), 100*time.Second))
	name := filepath.Join("testdata", "metrics.txt")
	if *update {
		if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("exposition differs from %s; run go test -update ./publish/metrics and read the difference\n%s", name, got)
	}
}

func TestLint(t *testing.T) {
	families, err := made(midPull(), 100*time.Second).registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	problems, err := promlint.NewWithMetricFamilies(families).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// Base units only, and labels from a closed set (Prometheus, "Metric and label
// naming"; its lint does not know of kilonewtons and bar).
func TestUnitsAndLabels(t *testing.T) {
	unit := regexp.MustCompile(`_(newtons|pascals|seconds|seconds_bucket|seconds_sum|seconds_count|records|total|up|failed|info|ready|in_order|alarm|ratio)$`)
	prefixed := regexp.MustCompile(`kilo|mega|milli|micro|_bar|_psi|_ms|_kn|_tonnes|minutes|hours`)
	label := regexp.MustCompile(`([a-z_]+)="([^"]*)"`)
	closed := map[string][]string{
		"instrument": {"load", "pressure"},
		"verdict":    {"pass", "review", "incomplete", "void", "exceeded", "failed", "unassigned"},
		"reason":     {"timeout", "garbled", "refused", "over-range", "under-range", "not-ready", "stuck", "disconnected"},
		"check":      {"load", "pressure", "pressure-low", "clock"},
		"alarm":      {"force-flat", "force-lost"},
		"version":    {"0.1.0"}, "goversion": {"GOVERSION"},
	}
	for line := range strings.Lines(exposition(t, made(midPull(), 100*time.Second))) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		name := line[:strings.IndexAny(line, "{ ")]
		if !unit.MatchString(name) || prefixed.MatchString(name) {
			t.Errorf("%s: not a base unit", name)
		}
		for _, l := range label.FindAllStringSubmatch(line, -1) {
			if values, ok := closed[l[1]]; l[1] != "le" && (!ok || !slices.Contains(values, l[2])) {
				t.Errorf("%s: label %s is %q", name, l[1], l[2])
			}
		}
	}
}

func TestAlarm(t *testing.T) {
	s := midPull()
	if got := exposition(t, made(s, 100*time.Second)); !strings.Contains(got, nameAlarm+`{alarm="force-flat"} 0`) {
		t.Errorf("no alarm is on:\n%s", got)
	}
	s.State.Alarm = peak.Known(peak.AlarmRaised{Alarm: peak.ForceFlat})
	got := exposition(t, made(s, 100*time.Second))
	for _, want := range []string{nameAlarm + `{alarm="force-flat"} 1`, nameAlarm + `{alarm="force-lost"} 0`, nameRatio + " 0.9512\n"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %s in\n%s", want, got)
		}
	}
}

// What is not known or no longer fresh is absent, never an old value.
func TestAbsent(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*publish.Snapshot)
		now    time.Duration
		absent []string
	}{
		"bad reading":        {func(s *publish.Snapshot) { s.State.Net.Known = false }, 100 * time.Second, []string{nameForce}},
		"old reading":        {func(s *publish.Snapshot) { s.State.TakenAt = 90 * time.Second }, 100 * time.Second, []string{nameForce}},
		"no pressure":        {func(s *publish.Snapshot) { s.State.Pressure.Known = false }, 100 * time.Second, []string{namePressure}},
		"no pull yet":        {func(s *publish.Snapshot) { s.State.Peak.Known = false }, 100 * time.Second, []string{namePeak}},
		"no good reading":    {func(s *publish.Snapshot) { s.Instruments[0].LastGood.Known = false }, 100 * time.Second, []string{nameReadingAge + `{instrument="load"}`}},
		"loop no longer run": {func(*publish.Snapshot) {}, 103 * time.Second, []string{nameForce, namePressure, nameUp + `{instrument="load"} 1`}},
	} {
		t.Run(name, func(t *testing.T) {
			s := midPull()
			before := exposition(t, made(s, 100*time.Second))
			c.change(s)
			after := exposition(t, made(s, c.now))
			for _, metric := range c.absent {
				if !strings.Contains(before, "\n"+metric) {
					t.Errorf("%s was absent before", metric)
				}
				if strings.Contains(after, "\n"+metric) {
					t.Errorf("%s is still there", metric)
				}
			}
		})
	}
}

func TestBeforeTheFirstSnapshot(t *testing.T) {
	m := New(Options{Snapshot: func() *publish.Snapshot { return nil }, Now: func() time.Duration { return 0 }})
	m.CountEvent(peak.PullEnded{Verdict: peak.Void})
	got := exposition(t, m)
	for _, name := range []string{nameForce, nameUnpublished, nameDropped, nameBroker, nameRecords, nameLastPull, nameJournalFailed} {
		if strings.Contains(got, name) {
			t.Errorf("%s is there", name)
		}
	}
	if !strings.Contains(got, namePullVerdicts+`{verdict="void"} 1`) {
		t.Error("the pull was not counted")
	}
}

func TestUnpublishedNotKnown(t *testing.T) {
	m := New(Options{
		Snapshot: func() *publish.Snapshot { return nil }, Unpublished: func() (uint64, bool) { return 0, false },
		Broker: func() error { return errors.New("away") },
	})
	got := exposition(t, m)
	if strings.Contains(got, nameUnpublished) || !strings.Contains(got, "\n"+nameBroker+" 0\n") {
		t.Errorf("exposition\n%s", got)
	}
}

// The collectors of Go and the process are there too.
func TestProcessMetrics(t *testing.T) {
	w := httptest.NewRecorder()
	made(midPull(), 0).Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	for _, name := range []string{"\ngo_goroutines ", "\nprocess_resident_memory_bytes ", "\nprocess_open_fds "} {
		if !strings.Contains(w.Body.String(), name) {
			t.Errorf("no %s", name)
		}
	}
}

func TestObservePollAllocatesNothing(t *testing.T) {
	m := made(midPull(), 0)
	if n := testing.AllocsPerRun(1000, func() {
		m.ObservePoll("load", peak.Good, 6*time.Millisecond, 600*time.Microsecond)
		m.ObservePoll("pressure", peak.Timeout, 100*time.Millisecond, 3*time.Millisecond)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkObservePoll(b *testing.B) {
	m := made(midPull(), 0)
	for b.Loop() {
		m.ObservePoll("load", peak.Good, 6*time.Millisecond, 600*time.Microsecond)
	}
}

func BenchmarkScrape(b *testing.B) {
	h := made(midPull(), 0).Handler()
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		_, _ = io.Copy(io.Discard, w.Body)
	}
}

// The alerts speak of metrics that exist.
func TestAlerts(t *testing.T) {
	rules, err := os.ReadFile("alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	got := exposition(t, made(midPull(), 0))
	names := regexp.MustCompile(`thimbled_[a-z_]+`).FindAll(rules, -1)
	if len(names) < 5 {
		t.Fatalf("only %d metrics in the alerts", len(names))
	}
	for _, name := range names {
		if !strings.Contains(got, "\n"+string(name)+"{") && !strings.Contains(got, "\n"+string(name)+" ") {
			t.Errorf("alert on %s, which is not exposed", name)
		}
	}
	if bytes.Contains(rules, []byte("\t")) {
		t.Error("a tab in YAML")
	}
}
