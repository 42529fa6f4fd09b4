package main_test

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestFrozen stops the daemon's process in mid-pull, as a debugger or a suspended
// computer would, for longer than any gap or timeout. The pull needs a person, and an
// answer that came meanwhile is not shown as the force of now.
func TestFrozen(t *testing.T) {
	t.Parallel()
	b := newStormBench(t, t.TempDir(), "")
	p := b.up(t)
	n := dialNATS(t, b.nats)
	n.subscribe("bench.dock-3.reading")
	for range 2 {
		b.load.force.Store(0)
		pulls := len(endsOf(t, b.dir))
		time.Sleep(1200 * time.Millisecond) // the rest before a pull
		b.load.force.Store(8000)
		until(t, "the pull to start", func() bool { return started(t, b.dir) == pulls+1 })
		// What was asked before is answered with 8000.
		stopped, woken := p.still(t, 1500*time.Millisecond, func() { b.load.force.Store(9000) })
		n.checkFresh(freezeMoment{"in a pull", 8000, 9000}, stopped, woken, 1)
		b.load.force.Store(0)
		until(t, "the pull to end", func() bool { return len(endsOf(t, b.dir)) == pulls+1 })
		checkGap(t, b.dir)
	}
	p.stop(t)
	audit(t, b.dir, 0, "is sound")
}

func started(t *testing.T, dir string) (pulls int) {
	for _, r := range journalOf(t, dir) {
		if r.Type == "thimbled.pull.started" {
			pulls++
		}
	}
	return pulls
}

func checkGap(t *testing.T, dir string) {
	t.Helper()
	var last record
	for _, r := range journalOf(t, dir) {
		if r.Type == "thimbled.pull.ended" {
			last = r
		}
	}
	var e struct {
		Gap     float64  `json:"longest_gap_seconds"`
		Reasons []string `json:"reasons"`
	}
	if err := json.Unmarshal(last.Data, &e); err != nil {
		t.Fatal(err)
	}
	if e.Gap < 1.4 {
		t.Errorf("the pull says that its longest gap was %v s; it was not read for 1.5 s: %s", e.Gap, last.Data)
	}
}

// TestTwoDaemons starts a second daemon on the same bench. It refuses and says
// what is in use and by whom; the first goes on.
func TestTwoDaemons(t *testing.T) {
	t.Parallel()
	b := newStormBench(t, t.TempDir(), "")
	p := b.up(t)
	status, _, said := do(t, "run", "--config", b.path)
	for _, want := range []string{"open journal", b.dir, fmt.Sprintf("process %d", p.command.Process.Pid)} {
		if status != 74 || !strings.Contains(said, want) {
			t.Errorf("a second daemon ends with %d and says %q, not %q", status, said, want)
		}
	}
	acked := b.record(t, "first", 5)
	checkAcked(t, acked, b.settled(t))
	p.stop(t)
}

// TestBrokerAwayForLong lets an external broker be away while thousands of records
// are made, then has it come back, with the daemon and in the midst of its run.
func TestBrokerAwayForLong(t *testing.T) {
	t.Parallel()
	away, store := reserve(t), filepath.Join(t.TempDir(), "store")
	broker := externalBroker(t, away, store)
	dir := t.TempDir()
	b := newStormBench(t, dir, away)
	p := b.up(t)
	acked := b.record(t, "before", 10)
	b.settled(t)
	p.stop(t)
	broker.kill()
	// Meanwhile commands come by another broker.
	meanwhile := newStormBench(t, dir, "")
	p = meanwhile.up(t)
	acked = append(acked, meanwhile.record(t, "meanwhile", 2000)...)
	p.stop(t)
	// The daemon is there first, the broker later.
	p = b.daemon(t)
	until(t, "the daemon to miss its broker", func() bool { return strings.Contains(healthText(b.web), "broker: ") })
	broker = externalBroker(t, away, store)
	began := time.Now()
	lines := b.settled(t)
	t.Logf("%d records, caught up within %v", len(lines), time.Since(began))
	checkAcked(t, acked, lines)
	p.stop(t)
	broker.kill()
}

// healthText is what /healthz says; empty if it says nothing.
func healthText(web string) string { return textAt(web, "/healthz") }

// textAt is what the daemon serves under a path; empty if it does not answer.
func textAt(web, path string) string {
	r, err := http.Get("http://" + web + path)
	if err != nil {
		return ""
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		return ""
	}
	return string(text)
}

// TestDeafInstrument has an instrument keep its connection and read nothing more:
// the connection is half open. It is lost in time, told, and found again.
func TestDeafInstrument(t *testing.T) {
	t.Parallel()
	b := newStormBench(t, t.TempDir(), "")
	p := b.up(t)
	for round := range 3 {
		b.load.deaf.Store(true)
		until(t, "the instrument to be lost", func() bool { return count(t, b.dir, "thimbled.instrument.lost") == round+1 })
		if text := scrape(t, b.web); strings.Contains(text, "\nthimbled_force_newtons 0\n") {
			t.Error("the metrics show a force without an instrument")
		}
		b.record(t, fmt.Sprintf("deaf-%d", round), 3) // commands are answered all the same
		b.load.deaf.Store(false)
		until(t, "the instrument to be found", func() bool { return count(t, b.dir, "thimbled.instrument.found") == round+1 })
	}
	p.stop(t)
	audit(t, b.dir, 0, "is sound")
}

func count(t *testing.T, dir, kind string) (n int) {
	for _, r := range journalOf(t, dir) {
		if r.Type == kind {
			n++
		}
	}
	return n
}

// TestPortRenamed has a serial adapter come back under another name, which the link
// that names it by what it is follows.
func TestPortRenamed(t *testing.T) {
	t.Parallel()
	b, bench := newStormBench(t, t.TempDir(), ""), t.TempDir()
	text, err := os.ReadFile(b.path)
	if err != nil {
		t.Fatal(err)
	}
	device := filepath.Join(bench, "bench", "rs485")
	serial := strings.NewReplacer(
		`kind = "tcp"`, `kind = "rtu"`, fmt.Sprintf("address = %q", b.load.address), fmt.Sprintf("device = %q\nbaud = 115200\nparity = \"none\"", device),
		`"uint32"`, `"float32"`, `unit = "N"`, `unit = "kN"`).Replace(string(text))
	replace(t, b.path, []byte(serial))
	adapter := start(t, "simulate", "--dir", bench)
	until(t, "the adapter", func() bool { _, err := os.Stat(device); return err == nil })
	p := b.up(t)
	until(t, "a reading", func() bool { return strings.Contains(scrape(t, b.web), "\nthimbled_force_newtons ") })
	for round := range 3 {
		before, _ := os.Readlink(device)
		adapter.kill()
		held := holdPort(t) // so that the name is not given again
		until(t, "the adapter to be lost", func() bool { return count(t, b.dir, "thimbled.instrument.lost") == round+1 })
		adapter = start(t, "simulate", "--dir", bench)
		until(t, "the adapter to be found", func() bool { return count(t, b.dir, "thimbled.instrument.found") == round+1 })
		after, _ := os.Readlink(device)
		t.Logf("%s came back as %s", before, after)
		held()
	}
	p.stop(t)
}

// holdPort keeps the lowest free pseudo-terminal.
func holdPort(t *testing.T) (release func()) {
	t.Helper()
	f, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	return func() { f.Close() }
}

// TestConfigDamaged damages the config of a running daemon. A new start ends with 78
// and says where; the running daemon and what is recorded are not touched.
func TestConfigDamaged(t *testing.T) {
	t.Parallel()
	b := newStormBench(t, t.TempDir(), "")
	p := b.up(t)
	b.record(t, "before", 5)
	sound, err := os.ReadFile(b.path)
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at < len(sound); at += 97 {
		broken := slices.Clone(sound)
		broken[at] = 0x7f
		replace(t, b.path, broken)
		status, answer, said := do(t, "check", "--config", b.path)
		said += answer
		if status != 78 || !strings.Contains(said, b.path+":") {
			t.Errorf("with byte %d damaged, check ends with %d and says %s", at, status, said)
		}
	}
	b.record(t, "meanwhile", 5) // by the daemon that runs
	b.settled(t)
	p.stop(t)
	before := digest(t, b.dir)
	status, _, said := do(t, "run", "--config", b.path)
	if status != 78 || !strings.Contains(said, b.path+":") {
		t.Errorf("with a damaged config the daemon ends with %d and says %s", status, said)
	}
	if digest(t, b.dir) != before {
		t.Error("with a damaged config the daemon touched what is recorded")
	}
	replace(t, b.path, sound)
	p = b.up(t)
	b.settled(t)
	p.stop(t)
}

// digest is one of all files in a folder.
func digest(t *testing.T, dir string) string {
	t.Helper()
	h := sha256.New()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		fmt.Fprintf(h, "%s %d\n%s", path, len(text), text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}
