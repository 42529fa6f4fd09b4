package seal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

const origin = "thimbled/bench/dock-3"

// testKey is a key that is the same each time.
func testKey(seed byte) *Key {
	return &Key{ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed}, ed25519.SeedSize))}
}

// need skips a test that needs a program which is not installed.
func need(t *testing.T, name, pkg string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is not installed (Debian: apt-get install %s)", name, pkg)
	}
}

// run runs a program with a text on its standard input.
func run(t *testing.T, stdin []byte, name string, args ...string) (string, error) {
	t.Helper()
	c := exec.Command(name, args...)
	c.Stdin = bytes.NewReader(stdin)
	out, err := c.CombinedOutput()
	return string(out), err
}

func write(t *testing.T, name string, text []byte, perm os.FileMode) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, text, perm); err != nil {
		t.Fatal(err)
	}
	return path
}

// records are lines as a daemon would write them: a test every third record, each
// sealed by the next one.
func records(t *testing.T, n int, k *Key) []publish.Record {
	t.Helper()
	var edge Edge
	var out []publish.Record
	add := func(kind string, data any) {
		body, err := json.Marshal(data)
		if err != nil {
			t.Fatal(err)
		}
		number := uint64(len(out) + 1)
		r := publish.Record{
			Event: publish.Event{Type: kind, Time: time.Unix(int64(number), 0), Data: body}, Number: number,
			Line: fmt.Appendf(nil, `{"number":%d,"type":%q,"data":%s}`, number, kind, body),
		}
		edge.Add(r.Line)
		out = append(out, r)
	}
	for len(out) < n {
		add(peak.TypePullStarted, struct{}{})
		add(peak.TypeTestEnded, struct{}{})
		s, err := edge.Seal(k, origin)
		if err != nil {
			t.Fatal(err)
		}
		add(peak.TypeJournalSealed, map[string]any{"size": s.Size, "root": s.Root(), "checkpoint": s.Note, "key": s.Key, "why": "test-ended"})
	}
	return out[:n]
}

// audit audits records, which may be none that a daemon wrote.
func audit(trusted []PublicKey, list []publish.Record) *Auditor {
	a := NewAuditor(trusted)
	for _, r := range list {
		a.Record("a.jsonl", r)
	}
	a.End()
	return a
}

// check checks that a report has one problem that says something, or none.
func check(t *testing.T, a *Auditor, record uint64, says string) {
	t.Helper()
	r := a.Report()
	if says == "" {
		if len(r.Problems) > 0 {
			t.Errorf("problems where none are: %+v", r.Problems)
		}
		return
	}
	for _, p := range r.Problems {
		if p.Record == record && strings.Contains(p.Reason, says) {
			return
		}
	}
	t.Errorf("no problem at record %d that says %q: %+v", record, says, r.Problems)
}
