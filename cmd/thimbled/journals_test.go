package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

var newJournal = flag.Bool("new-journal", false, "write the golden journal of today's format, which must not be there")

const goldenJournals = "../../testdata/journals"

// writeGoldenJournal writes a journal of today's format: that of the certificates,
// of which the first test's trace was removed years later.
func writeGoldenJournal(t *testing.T, dir string) {
	if err := os.CopyFS(dir, os.DirFS("../../testdata/certificate/verified")); err != nil {
		t.Fatal(err)
	}
	at := time.Date(2037, 1, 5, 7, 0, 0, 0, time.UTC)
	w, _, err := journal.Open(dir, journal.Options{Bench: "dock-3", Now: func() time.Time { return at }})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	old, err := w.OldTraces(t.Context(), at.AddDate(-10, 0, 0))
	if err != nil || len(old) == 0 {
		t.Fatal(old, err)
	}
	removed := peak.TraceRemoved{Pull: old[0].Pull, Name: old[0].Trace.Name, SHA256: old[0].Trace.SHA256, Why: "older than 120 months"}
	if _, err := w.Append(publish.Encode(removed, publish.Clock{Epoch: at}, nil)); err != nil {
		t.Fatal(err)
	}
	if err := w.RemoveTrace(removed.Name); err != nil {
		t.Fatal(err)
	}
}

// asked runs a command in this process.
func asked(t *testing.T, args ...string) (status int, out string) {
	t.Helper()
	var said, wrong bytes.Buffer
	status = run(t.Context(), streams{&said, &wrong}, args)
	return status, said.String() + wrong.String()
}

// TestGoldenJournals reads the journal of each format that ever was: it must stay sound,
// its tests must be found, certified and judged again, and a daemon must be able to go
// on in a copy of it. A format without a journal here is an error.
func TestGoldenJournals(t *testing.T) {
	latest := filepath.Join(goldenJournals, "v"+string(rune('0'+journal.Format)))
	if *newJournal {
		writeGoldenJournal(t, latest)
	}
	if _, err := os.Stat(latest); err != nil {
		t.Errorf("the format of today has no golden journal: %v", err)
	}
	dirs, err := filepath.Glob(filepath.Join(goldenJournals, "v*"))
	if err != nil || len(dirs) != journal.Format {
		t.Fatalf("%d golden journals for %d formats, %v", len(dirs), journal.Format, err)
	}
	for _, dir := range dirs {
		t.Run(filepath.Base(dir), func(t *testing.T) { readGolden(t, dir) })
	}
}

func readGolden(t *testing.T, dir string) {
	if status, out := asked(t, "audit", dir); status != exitDone || !strings.Contains(out, "is sound") {
		t.Errorf("audit ends with %d: %s", status, out)
	}
	status, out := asked(t, "tests", "--json", dir)
	var found struct {
		Tests []struct {
			Job   string
			Pulls []struct {
				Started uint64 `json:"started_record"`
			}
		}
	}
	if err := json.Unmarshal([]byte(out), &found); status != exitDone || err != nil || len(found.Tests) < 2 {
		t.Fatalf("tests ends with %d: %s, %v", status, out, err)
	}
	certified := 0
	for _, test := range found.Tests {
		if status, out := asked(t, "certificate", dir, test.Job); status == exitDone && strings.Contains(out, "</html>") {
			certified++
		} else {
			t.Errorf("certificate of %s ends with %d: %.300s", test.Job, status, out)
		}
	}
	if certified != len(found.Tests) {
		t.Errorf("%d of %d tests have a certificate", certified, len(found.Tests))
	}
	// The first format has no record of what pulls were judged by.
	if status, out := asked(t, "audit", "--recompute", dir); status != exitDone && !strings.Contains(out, "nothing could be compared") ||
		strings.Contains(out, "damaged:") {
		t.Errorf("audit --recompute ends with %d: %.2000s", status, out)
	}
	goOnInGolden(t, dir)
}

// goOnInGolden appends to a copy of a journal, whose format stays what it was.
func goOnInGolden(t *testing.T, dir string) {
	to := t.TempDir()
	if status, out := asked(t, "backup", dir, to); status != exitDone {
		t.Fatalf("backup ends with %d: %s", status, out)
	}
	said, _ := os.ReadFile(filepath.Join(dir, "format"))
	w, opened, err := journal.Open(to, journal.Options{Bench: "dock-3", Tally: newEdge})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Append(publish.Encode(peak.DaemonStarted{Version: "9"}, publish.Clock{}, nil)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if now, _ := os.ReadFile(filepath.Join(to, "format")); !bytes.Equal(said, now) {
		t.Errorf("the format %q became %q", said, now)
	}
	a := seal.NewAuditor(nil)
	r, err := journal.AuditEach(to, a.Record)
	if err != nil || !r.Sound() || r.Last != opened.Last+1 {
		t.Errorf("%+v, %v", r, err)
	}
}
