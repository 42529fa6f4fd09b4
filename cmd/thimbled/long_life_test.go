package main_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

// aloneConfig writes the config of a daemon whose instrument and broker are not there.
func aloneConfig(t *testing.T, folder, more string) (path, web string) {
	t.Helper()
	dir := t.TempDir()
	key := filepath.Join(dir, "key")
	if err := seal.MakeKey(key, ""); err != nil {
		t.Fatal(err)
	}
	web = reserve(t)
	text := strings.Replace(fmt.Sprintf(yearsConfig, folder, web, key), "[nats]", more+"\n[nats]", 1)
	path = filepath.Join(dir, "bench.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path, web
}

func hasType(all []record, kind string) bool {
	for _, r := range all {
		if r.Type == kind {
			return true
		}
	}
	return false
}

// TestDamageBehindTheNote changes a byte far back while the daemon is down. The next
// start does not read it; the check finds it, it is on record, health tells it, and the
// start after that refuses the journal with the place.
func TestDamageBehindTheNote(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	smallJournal(t, dir, 1, 12)
	path, web := aloneConfig(t, dir, "")
	p := start(t, "run", "--config", path)
	until(t, "the note", func() bool {
		_, err := os.Stat(filepath.Join(dir, "checked"))
		return err == nil
	})
	p.stop(t)
	first := filepath.Join(dir, "000000000001.jsonl")
	text, err := os.ReadFile(first)
	if err != nil {
		t.Fatal(err)
	}
	text[700] ^= 1
	if err := os.WriteFile(first, text, 0o600); err != nil {
		t.Fatal(err)
	}
	p = start(t, "run", "--config", path)
	until(t, "the damage to be recorded", func() bool { return hasType(journalOf(t, dir), "thimbled.journal.damaged") })
	until(t, "the journal to be given up", func() bool { return strings.Contains(scrape(t, web), "thimbled_journal_failed 1") })
	p.command.Process.Signal(syscall.SIGTERM)
	if err := p.command.Wait(); err == nil || p.command.ProcessState.ExitCode() != 74 || !strings.Contains(p.out.String(), "record the stop: ") {
		t.Errorf("the stop, which is not on record, ends with %v and says %s", err, p.out)
	}
	p = start(t, "run", "--config", path)
	if err := p.command.Wait(); err == nil || p.command.ProcessState.ExitCode() != 74 || !strings.Contains(p.out.String(), "000000000001.jsonl line 2") {
		t.Errorf("the next start ends with %v and says %s", err, p.out)
	}
}

// TestOldTracesAreRemoved keeps traces for a month: those of older pulls go, each with a
// record before it, and nothing else does.
func TestOldTracesAreRemoved(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	smallJournal(t, dir, 1, 3)
	w, _, err := journal.Open(dir, journal.Options{Bench: "dock-3"})
	if err != nil {
		t.Fatal(err)
	}
	later := publish.Clock{Epoch: time.Date(2026, 5, 2, 7, 0, 0, 0, time.UTC)}
	if _, err := w.Append(publish.Encode(peak.DaemonStopped{Clean: true, Why: "asked to stop"}, later, nil)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	path, _ := aloneConfig(t, dir, `keep_traces = "1 month"`)
	p := start(t, "run", "--config", path)
	until(t, "the traces to be gone", func() bool {
		left, _ := filepath.Glob(filepath.Join(dir, "traces", "*.csv"))
		return len(left) == 0
	})
	p.stop(t)
	audit(t, dir, 0, "3 traces were removed, as records say")
	removed := []int64{}
	for _, r := range journalOf(t, dir) {
		if r.Type != "thimbled.trace.removed" {
			continue
		}
		var d struct {
			Pull   int64
			Name   string
			SHA256 string
			Why    string
		}
		if err := json.Unmarshal(r.Data, &d); err != nil || len(d.SHA256) != 64 || d.Why != "kept for 1 calendar months" {
			t.Errorf("%s, %v", r.Data, err)
		}
		removed = append(removed, d.Pull)
	}
	if fmt.Sprint(removed) != "[1 2 3]" {
		t.Errorf("removed are the traces of pulls %v", removed)
	}
}
