package main_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// inHand says whether a journal ends in mid-pull.
func inHand(all []record) bool {
	in := false
	for _, r := range all {
		in = r.Type == "thimbled.pull.started" || in && r.Type != "thimbled.pull.ended"
	}
	return in
}

// TestBackupWhileRunning copies the records of a running bench again and again, until a
// copy was made in mid-pull. Each copy is sound, by its signatures too, is the
// beginning of the journal, and a daemon goes on from the last one.
func TestBackupWhileRunning(t *testing.T) {
	t.Parallel()
	dir, to := t.TempDir(), t.TempDir()
	p := start(t, "demo", "--fast", "20", "--dir", dir)
	until(t, "two pulls", func() bool { return strings.Count(fmt.Sprint(journalOf(t, dir)), "thimbled.pull.ended") > 1 })
	copies := 0
	within(t, 2*patience, "a copy in mid-pull", func() bool {
		status, out, errs := call(t, "backup", dir, to)
		if status != 0 || !strings.Contains(out, "is sound") {
			t.Fatalf("backup ends with %d and says %s%s", status, out, errs)
		}
		copies++
		return inHand(journalOf(t, to)) && copies > 3
	})
	p.stop(t)
	all, copied := journalOf(t, dir), journalOf(t, to)
	checkKept(t, copied, all)
	key := filepath.Join(dir, "bench", "seal-key.pub")
	// What came after the last checkpoint is not sealed yet, and that is all an audit
	// with the key finds.
	if _, out, errs := call(t, "audit", "--key", key, to); strings.Count(out, "damaged: ") != 1 || !strings.Contains(out, "no checkpoint seals records") {
		t.Errorf("audit with the key: %s%s", out, errs)
	}
	p = start(t, "demo", "--fast", "20", "--dir", to)
	until(t, "a daemon to go on from the copy", func() bool { return len(journalOf(t, to)) > len(copied)+2 })
	p.stop(t)
	audit(t, to, 0, "is sound")
	if checkInterrupted(t, copied, journalOf(t, to)[len(copied):]) != 1 {
		t.Error("no pull was interrupted")
	}
	t.Logf("%d copies, the last of %d records", copies, len(copied))
}

// smallJournal writes pulls with traces into small segments.
func smallJournal(t *testing.T, dir string, from, pulls int64) {
	t.Helper()
	clock := publish.Clock{Epoch: time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC)}
	w, _, err := journal.Open(dir, journal.Options{Bench: "dock-3", SegmentBytes: 3000})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	for pull := from; pull < from+pulls; pull++ {
		at := time.Duration(pull) * time.Minute
		r, err := w.Append(publish.Encode(peak.PullStarted{Pull: pull, StartedAt: at}, clock, nil))
		if err != nil {
			t.Fatal(err)
		}
		trace, err := w.StartTrace(r.Number, false)
		if err != nil {
			t.Fatal(err)
		}
		for i := range time.Duration(4) {
			if err := trace.Add(peak.Reading{At: at + i*time.Second, Force: peak.Force(i) * peak.Kilonewton}, 0); err != nil {
				t.Fatal(err)
			}
		}
		sealed, err := trace.Close()
		if err != nil {
			t.Fatal(err)
		}
		ended := peak.PullEnded{Pull: pull, StartedAt: at, DecidedAt: at + 5*time.Second}
		if _, err := w.Append(publish.Encode(ended, clock, publish.Traces{pull: sealed})); err != nil {
			t.Fatal(err)
		}
	}
}

// A second copy takes only what is new, mends what was damaged in the first, and
// never writes over a copy of another journal.
func TestBackupAgain(t *testing.T) {
	dir, to := t.TempDir(), filepath.Join(t.TempDir(), "made", "here")
	smallJournal(t, dir, 1, 9)
	backup := func(want int, says string) {
		t.Helper()
		status, out, errs := call(t, "backup", dir, to)
		if status != want || !strings.Contains(out+errs, says) {
			t.Errorf("backup ends with %d and says %s%s, want %d and %q", status, out, errs, want, says)
		}
	}
	segments, err := filepath.Glob(filepath.Join(dir, "*.jsonl"))
	if err != nil || len(segments) < 4 {
		t.Fatal(segments, err)
	}
	backup(0, fmt.Sprintf("9 traces; %d files were copied", 1+len(segments)+9))
	backup(0, "0 files were copied")
	smallJournal(t, dir, 10, 1)
	if err := os.WriteFile(filepath.Join(to, "000000000001.jsonl.part"), []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	backup(0, "10 traces")
	for _, name := range []string{filepath.Base(segments[1]), "traces/000000000003.csv"} {
		path := filepath.Join(to, name)
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		text[len(text)/2] ^= 1
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		backup(0, "1 files were copied")
		sound, err := os.ReadFile(filepath.Join(dir, name))
		if mended, err2 := os.ReadFile(path); err != nil || err2 != nil || !bytes.Equal(mended, sound) {
			t.Errorf("%s was not mended", name)
		}
	}
	whole := journalOf(t, to)
	dir = t.TempDir()
	smallJournal(t, dir, 100, 12)
	backup(74, "is not the beginning of this journal")
	checkKept(t, whole, journalOf(t, to))
	audit(t, to, 0, "is sound")
}

// A trace that is damaged or gone in the journal itself is told, and everything else is
// copied all the same.
func TestBackupOfDamage(t *testing.T) {
	dir, to := t.TempDir(), t.TempDir()
	smallJournal(t, dir, 1, 3)
	if err := os.Remove(filepath.Join(dir, "traces", "000000000003.csv")); err != nil {
		t.Fatal(err)
	}
	status, out, _ := call(t, "backup", dir, to)
	if status != 1 || !strings.Contains(out, "damaged: traces/000000000003.csv record 4: is missing") {
		t.Errorf("%d: %s", status, out)
	}
	if len(journalOf(t, to)) != 6 {
		t.Error("not all records were copied")
	}
	for _, args := range [][]string{{"backup"}, {"backup", dir}, {"backup", t.TempDir(), t.TempDir()}, {"backup", "a", "b", "c"}} {
		if status, out, errs := call(t, args...); status != 2 && status != 74 {
			t.Errorf("%v ends with %d: %s%s", args, status, out, errs)
		}
	}
}
