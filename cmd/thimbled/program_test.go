package main_test

import (
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var kills = flag.Int("kills", 4, "how many times TestKilled kills the daemon")

// TestDemo runs the demo as a newcomer would, then the audit, then damages the
// evidence byte by byte. A computer too busy to read its instruments makes gaps,
// which is what reviews are for; then the demo is tried once more.
func TestDemo(t *testing.T) {
	var dir string
	for try := 1; ; try++ {
		dir = t.TempDir()
		verdicts := demo(t, dir)
		if verdicts["pass"] > 0 && verdicts["incomplete"] > 0 {
			break
		}
		if verdicts["review"] == 0 || try == 3 {
			t.Fatalf("verdicts %v: one pull must pass and one must not", verdicts)
		}
	}
	audit(t, dir, 0, "is sound")
	damage(t, dir)
}

func demo(t *testing.T, dir string) (verdicts map[string]int) {
	t.Helper()
	status, out, errs := do(t, "demo", "--fast", "20", "--for", "24s", "--dir", dir)
	if status != 0 {
		t.Fatalf("status %d: %s%s", status, out, errs)
	}
	verdicts = map[string]int{}
	for _, e := range endsOf(t, dir) {
		verdicts[e.Verdict]++
		if e.Trace == nil || e.Job == "" {
			t.Errorf("pull %d has no trace or no job", e.Pull)
		}
	}
	for _, said := range []string{"hold reached", "metrics   http://127.0.0.1:", "NATS      nats://127.0.0.1:", "audit " + dir} {
		if !strings.Contains(out, said) {
			t.Errorf("the demo does not say %q:\n%s", said, out)
		}
	}
	return verdicts
}

func audit(t *testing.T, dir string, want int, says string) {
	t.Helper()
	status, out, errs := call(t, "audit", dir)
	if status != want || !strings.Contains(out, says) {
		t.Fatalf("audit ends with %d and says %s%s, want %d and %q", status, out, errs, want, says)
	}
}

// damage changes one byte at a time in every file of evidence and checks that the
// audit names the file.
func damage(t *testing.T, dir string) {
	t.Helper()
	chance := rand.New(rand.NewPCG(3, 4))
	files, _ := filepath.Glob(filepath.Join(dir, "*.jsonl"))
	traces, _ := filepath.Glob(filepath.Join(dir, "traces", "*.csv"))
	for _, path := range slices.Concat(files, traces) {
		sound, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		places := []int{0, len(sound) / 2, len(sound) - 1}
		for range 20 {
			places = append(places, chance.IntN(len(sound)))
		}
		for _, at := range places {
			broken := slices.Clone(sound)
			broken[at] ^= byte(1 + chance.IntN(255))
			replace(t, path, broken)
			audit(t, dir, 1, filepath.Base(path))
		}
		replace(t, path, sound)
	}
	audit(t, dir, 0, "is sound")
}

func replace(t *testing.T, path string, text []byte) {
	t.Helper()
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestKilled kills a demo at random moments, with no chance to tidy up, and
// starts it again on the same records. Nothing recorded may be lost or changed, a pull in
// hand must end as interrupted, and the broker must have each record once.
func TestKilled(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 0))
	var before []record
	interrupted := 0
	for range *kills {
		p := start(t, "demo", "--fast", "20", "--dir", dir)
		until(t, "the daemon to start", func() bool { return len(journalOf(t, dir)) > len(before) })
		time.Sleep(time.Duration(chance.Int64N(int64(8 * time.Second))))
		p.command.Process.Kill()
		p.command.Wait()
		audit(t, dir, 0, "is sound")
		after := journalOf(t, dir)
		checkKept(t, before, after)
		if len(before) > 0 {
			interrupted += checkInterrupted(t, before, after[len(before):])
		}
		before = after
	}
	p := start(t, "demo", "--fast", "20", "--dir", dir)
	until(t, "the daemon to start", func() bool { return len(journalOf(t, dir)) > len(before) })
	interrupted += checkInterrupted(t, before, journalOf(t, dir)[len(before):])
	p.stop(t)
	audit(t, dir, 0, "is sound")
	t.Logf("%d records, %d interrupted pulls", len(journalOf(t, dir)), interrupted)
	checkStream(t, dir)
}

func checkKept(t *testing.T, before, after []record) {
	t.Helper()
	for i, r := range before {
		if i >= len(after) || after[i].line != r.line {
			t.Fatalf("record %d is lost or changed: %s", i+1, r.line)
		}
	}
}

// checkInterrupted checks that a pull which the journal left in hand was ended
// first thing after the start.
func checkInterrupted(t *testing.T, before, later []record) int {
	t.Helper()
	inHand := false
	for _, r := range before {
		switch r.Type {
		case "thimbled.pull.started":
			inHand = true
		case "thimbled.pull.ended":
			inHand = false
		}
	}
	if !inHand {
		return 0
	}
	if len(later) == 0 || later[0].Type != "thimbled.pull.ended" {
		t.Fatalf("the pull in hand was not ended at the start; instead %v", later)
	}
	e := later[0].pullEnd(t)
	if e.Ended != nil || !slices.Contains(e.Reasons, "interrupted") {
		t.Fatalf("the pull in hand ended as %+v", e)
	}
	return 1
}

// brokerOf returns the address of the broker that the demo in a folder uses.
func brokerOf(t *testing.T, dir string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "bench", "dock-3.toml"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "[nats]\nlisten = \"")
	address, _, _ := strings.Cut(rest, "\"")
	return address
}

// checkStream starts the daemon once more and compares the broker's stream with
// the journal: each record once, in order, unchanged.
func checkStream(t *testing.T, dir string) {
	t.Helper()
	p := start(t, "demo", "--fast", "1", "--dir", dir)
	until(t, "the broker", func() bool { return strings.Contains(p.out.String(), "NATS ") })
	n := dialNATS(t, brokerOf(t, dir))
	var got []natsMessage
	until(t, "the stream to hold the whole journal", func() bool {
		got = n.stream("BENCH_dock-3")
		return len(got) == len(journalOf(t, dir))
	})
	for i, r := range journalOf(t, dir) {
		m := got[i]
		if id := m.header["ce-id"]; len(id) != 1 || id[0] != r.ID || string(m.body) != string(r.Data) {
			t.Fatalf("message %d is %v %s, the record is %s", i+1, m.header, m.body, r.line)
		}
	}
	p.stop(t)
}
