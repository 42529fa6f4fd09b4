package main

import (
	"bytes"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/metrics"
	"thimbled/publish/seal"
)

// The config's key comes first, then the credential; neither is no error.
func TestSealKey(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"configured", sealCredential, "exposed"} {
		if err := seal.MakeKey(filepath.Join(dir, name), name); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(filepath.Join(dir, "exposed"), 0o644); err != nil {
		t.Fatal(err)
	}
	none := t.TempDir()
	if err := os.WriteFile(filepath.Join(none, sealCredential), []byte("none"), 0o400); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		key, credentials string
		want             string // the file of the key; empty for none
		wrong            bool
	}{
		"neither":                {"", "", "", false},
		"config":                 {"configured", "", "configured", false},
		"credential":             {"", dir, sealCredential, false},
		"both":                   {"configured", dir, "configured", false},
		"no such credential":     {"", t.TempDir(), "", false},
		"a credential that says": {"", none, "", false},
		"exposed":                {"exposed", dir, "", true},
		"missing":                {"missing", dir, "", true},
	} {
		b := &config.Config{}
		if c.key != "" {
			b.Seal.Key = filepath.Join(dir, c.key)
		}
		k, err := sealKey(b, func(string) string { return c.credentials })
		var bad configError
		if c.wrong != errors.As(err, &bad) || (k != nil) != (c.want != "") {
			t.Errorf("%s: %v, %v", name, k, err)
		}
		if c.want == "" || k == nil {
			continue
		}
		public, err := os.ReadFile(filepath.Join(dir, c.want+".pub"))
		if err != nil || !bytes.HasPrefix(public, []byte(k.Public().SSH())) {
			t.Errorf("%s: not the key of %s: %v", name, public, err)
		}
	}
}

// sealedLoop is a loop that only seals.
func sealedLoop(t *testing.T) *loop {
	path := filepath.Join(t.TempDir(), "key")
	if err := seal.MakeKey(path, ""); err != nil {
		t.Fatal(err)
	}
	k, err := seal.ReadKey(path)
	if err != nil {
		t.Fatal(err)
	}
	l := &loop{start: time.Now(), log: slog.New(slog.DiscardHandler), sealer: &sealer{key: k, origin: "thimbled/bench/dock-3"}}
	l.clock.Epoch = l.start
	var opened journal.Opened
	l.journal, opened, err = journal.Open(t.TempDir(), journal.Options{Bench: "dock-3", Tally: newEdge})
	if err != nil {
		t.Fatal(err)
	}
	l.sealer.goOn(opened)
	t.Cleanup(func() { l.journal.Close() })
	l.metrics = metrics.New(metrics.Options{Snapshot: l.snapshot.Load, Now: l.now, Records: l.journal.Last})
	return l
}

// whys are the occasions of the checkpoints on record.
func whys(t *testing.T, l *loop) (out []string) {
	for number := range l.journal.Last() {
		r, err := l.journal.Next(t.Context(), number)
		if err != nil {
			t.Fatal(err)
		}
		e, err := publish.Decode(r.Event, l.clock, publish.Traces{})
		if s, ok := e.(peak.JournalSealed); ok && err == nil {
			if s.Size != int64(number) {
				t.Errorf("record %d seals %d", r.Number, s.Size)
			}
			out = append(out, s.Why)
		}
	}
	return out
}

// A journal is sealed once a day, counted from the seal before, and after each test
// and inspection.
func TestSealedWhenDue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := sealedLoop(t)
		step := func(want int, do func()) {
			t.Helper()
			do()
			if got := whys(t, l); len(got) != want {
				t.Fatalf("the journal was sealed for %q, want %d", got, want)
			}
		}
		step(1, func() { l.sealAll(sealStarted) })
		step(1, func() { time.Sleep(sealEvery - time.Second); l.sealDue() })
		step(2, func() { l.settle([]peak.Event{peak.TestEnded{At: l.now()}}) })
		step(2, func() { l.settle([]peak.Event{peak.ZeroSet{At: l.now()}}) })
		step(2, func() { time.Sleep(sealEvery - time.Second); l.sealDue() })
		step(3, func() { time.Sleep(time.Second); l.sealDue(); l.sealDue() })
		step(4, func() { l.settle([]peak.Event{peak.ItemInspected{At: l.now()}}) })
		if got := whys(t, l); got[1] != sealTestEnded || got[2] != sealDaily || got[3] != sealInspected {
			t.Errorf("the journal was sealed for %q", got)
		}
		l.sealer = nil
		step(4, func() { l.sealAll(sealStopped); l.sealDue() })
	})
}
