package main_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// servedConfig is the config of a bench whose load indicator is somebody else's
// Modbus server.
const servedConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"

[[line]]
name = "rs485"
kind = "rtu"
device = %q
baud = 115200
parity = "none"

[load]
line = "rs485"
unit_id = 7
register = 40
type = "float32"
unit = "kN"
every = "20 ms"
timeout = "200 ms"

# A busy machine may not read for a while; here that must not matter.
[capture]
max_gap = "1 s"

[journal]
dir = %q

[nats]
listen = %q
reading_every = "0 s"

[http]
listen = %q
`

// course is a played pull: 102 kN held between a rise and a release.
func course(at time.Duration) float64 {
	const rise, hold, fall = 1 * time.Second, 2500 * time.Millisecond, 1500 * time.Millisecond
	switch {
	case at < 0:
		return 0
	case at < rise:
		return 102 * at.Seconds() / rise.Seconds()
	case at < rise+hold:
		return 102
	case at < rise+hold+fall:
		return 102 * (1 - (at-rise-hold).Seconds()/fall.Seconds())
	}
	return 0
}

// play plays the course into the peer's registers.
func play(t *testing.T, p *peer) {
	t.Helper()
	for began := time.Now(); time.Since(began) < 5500*time.Millisecond; time.Sleep(5 * time.Millisecond) {
		bits := math.Float32bits(float32(course(time.Since(began))))
		p.set(t, "input", 40, uint16(bits>>16), uint16(bits))
	}
}

// TestRunAgainstLibmodbus runs the daemon on a serial line whose instrument is a
// libmodbus server in another process, plays a pull into its registers, and looks for it in the
// journal, on NATS and in the metrics.
func TestRunAgainstLibmodbus(t *testing.T) {
	p := libmodbusRTU(t, 7)
	p.set(t, "input", 40, 0, 0)
	dir, nats, web := t.TempDir(), reserve(t), reserve(t)
	path := filepath.Join(dir, "bench.toml")
	journal := filepath.Join(dir, "journal")
	if err := os.WriteFile(path, fmt.Appendf(nil, servedConfig, p.place, journal, nats, web), 0o600); err != nil {
		t.Fatal(err)
	}
	d := start(t, "run", "--config", path)
	until(t, "the daemon to be healthy", func() bool { return healthy(web) })
	n := dialNATS(t, nats)
	n.subscribe("bench.dock-3.event.>")
	until(t, "a good reading", func() bool { return strings.Contains(scrape(t, web), "thimbled_force_newtons 0") })
	openJob(t, path, "HL-0042")
	play(t, p)
	ended := nextEvent(n, "pull.ended")
	checkPlayed(t, ended, endsOf(t, journal))
	text := scrape(t, web)
	for _, want := range []string{"thimbled_peak_newtons 102000\n", "thimbled_pulls_total 1\n", `thimbled_tests_total{verdict="pass"} 1` + "\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("the metrics do not say %q", want)
		}
	}
	askStatus(t, n)
	d.stop(t)
	audit(t, journal, 0, "is sound")
	replayJournal(t, path, journal, endsOf(t, journal)[0])
}

func healthy(web string) bool {
	r, err := http.Get("http://" + web + "/healthz")
	if err != nil {
		return false
	}
	defer r.Body.Close()
	return r.StatusCode == http.StatusOK
}

func scrape(t testing.TB, web string) string {
	t.Helper()
	r, err := http.Get("http://" + web + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// openJob opens a job with the command; it is refused until the force is
// known to be at rest.
func openJob(t *testing.T, path, item string) {
	t.Helper()
	until(t, "the job to be opened", func() bool {
		status, _, _ := call(t, "job", "open", "--config", path, "--by", "tester", "--item", item,
			"--required", "100 kN", "--limit", "112 kN", "--hold", "2 s")
		return status == 0
	})
	status, out, _ := call(t, "job", "open", "--config", path, "--by", "tester", "--item", item, "--required", "100 kN")
	if status != 1 || !strings.Contains(out, "is open") {
		t.Errorf("a second job: status %d, %q", status, out)
	}
}

func nextEvent(n *rawNATS, kind string) natsMessage {
	n.t.Helper()
	for {
		if m := n.next(); m.subject == "bench.dock-3.event."+kind {
			return m
		}
	}
}

// checkPlayed compares what was heard and recorded with what was played. The hold
// was played for 2.5 s; its ends are known to a poll (20 ms) and a step of the play.
func checkPlayed(t *testing.T, heard natsMessage, recorded []pullEnd) {
	t.Helper()
	var e pullEnd
	if err := json.Unmarshal(heard.body, &e); err != nil {
		t.Fatal(err)
	}
	if e.Peak != 102000 || e.Highest != 102000 || e.Verdict != "pass" || len(e.Reasons) != 0 {
		t.Errorf("played 102 kN, heard %+v", e)
	}
	// The rise passes 100 kN 20 ms before 102 kN, the release 30 ms after.
	if e.Hold < 2.45 || e.Hold > 2.7 {
		t.Errorf("played a hold of 2.55 s, heard %v s", e.Hold)
	}
	if len(recorded) != 1 || recorded[0].Peak != e.Peak || recorded[0].Hold != e.Hold || recorded[0].Started != e.Started {
		t.Errorf("recorded %+v, heard %+v", recorded, e)
	}
	for key, want := range map[string]string{
		"ce-specversion": "1.0", "ce-type": "thimbled.pull.ended", "ce-source": "/bench/dock-3", "ce-datacontenttype": "application/json",
	} {
		if got := heard.header[key]; len(got) != 1 || got[0] != want {
			t.Errorf("header %s is %q, want %q", key, got, want)
		}
	}
}

func askStatus(t *testing.T, n *rawNATS) {
	t.Helper()
	var s struct {
		Bench string  `json:"bench"`
		State string  `json:"state"`
		Peak  float64 `json:"peak_newtons"`
	}
	if err := json.Unmarshal(n.ask("bench.dock-3.ask.status", "").body, &s); err != nil {
		t.Fatal(err)
	}
	if s.Bench != "dock-3" || s.State != "at-rest" || s.Peak != 102000 {
		t.Errorf("status %+v", s)
	}
}

// replayJournal replays the recorded trace of a pull and expects its figures.
func replayJournal(t *testing.T, path, journal string, want pullEnd) {
	t.Helper()
	status, out, errs := call(t, "replay", "--config", path, "--required", "100 kN", "--limit", "112 kN", "--hold", "2 s",
		filepath.Join(journal, want.Trace.Name))
	if status != 0 {
		t.Fatal(errs)
	}
	got := pullEnds(t, cloudEvents(t, []byte(out)))
	if len(got) != 1 || got[0].Peak != want.Peak || got[0].Hold != want.Hold || got[0].Verdict != want.Verdict {
		t.Errorf("the trace replays as %+v, recorded %+v", got, want)
	}
}

// TestStopLeavesNoHalves checks that a daemon that is asked to stop in mid-pull records the
// pull as interrupted and itself as stopped, and resumes an open job at its next start.
func TestStopLeavesNoHalves(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	p := start(t, "demo", "--fast", "10", "--dir", dir)
	until(t, "a pull", func() bool { return strings.Contains(p.out.String(), "pull 1 started") })
	p.stop(t)
	lines := journalOf(t, dir)
	last := lines[len(lines)-2]
	if last.Type != "thimbled.daemon.stopped" || !bytes.Contains(last.Data, []byte(`"clean":true`)) {
		t.Errorf("the last record but one is %s", last.line)
	}
	if seal := lines[len(lines)-1]; seal.Type != "thimbled.journal.sealed" {
		t.Errorf("the last record is %s", seal.line)
	}
	e := endsOf(t, dir)
	if len(e) != 1 || e[0].Ended != nil || e[0].Verdict != "incomplete" || e[0].Job == "" {
		t.Fatalf("the pull in hand ended as %+v", e)
	}
	again := start(t, "demo", "--fast", "10", "--dir", dir)
	until(t, "the test to be finished", func() bool {
		for _, r := range journalOf(t, dir)[len(lines):] {
			if r.Type == "thimbled.test.ended" && bytes.Contains(r.Data, []byte(`"job":"`+e[0].Job+`"`)) {
				return true
			}
		}
		return false
	})
	again.stop(t)
}
