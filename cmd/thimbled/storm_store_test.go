package main_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// brokerRepaired is the data of the event of a repair.
type brokerRepaired struct {
	From     *int   `json:"lost_from"`
	To       *int   `json:"lost_to"`
	Restored int    `json:"records_restored"`
	Why      string `json:"why"`
}

func repairsIn(t testing.TB, lines []record) []brokerRepaired {
	t.Helper()
	var out []brokerRepaired
	for _, r := range lines {
		if r.Type != "thimbled.broker.repaired" {
			continue
		}
		var x brokerRepaired
		if err := json.Unmarshal(r.Data, &x); err != nil {
			t.Fatal(err)
		}
		out = append(out, x)
	}
	return out
}

// storeDamage is something that happens to a broker's store.
type storeDamage struct {
	name string
	do   func(t *testing.T, store, older string)
	// running says that it happens while the daemon runs, which is then killed.
	running bool
	// lost says that all records, or some, are missing then.
	lost bool
}

var storeDamages = []storeDamage{
	{"deleted", removed, false, true},
	{"deleted while the daemon runs", removed, true, true},
	{"cut short", func(t *testing.T, store, _ string) { cutEach(t, store) }, false, true},
	{"a bit flipped in its index", func(t *testing.T, store, _ string) { flipIn(t, store, "msgs/index.db") }, false, false},
	{"a bit flipped in its messages", func(t *testing.T, store, _ string) { flipIn(t, store, "msgs/1.blk") }, false, true},
	{"a bit flipped in its messages while the daemon runs", func(t *testing.T, store, _ string) { flipIn(t, store, "msgs/1.blk") }, true, true},
	{"a bit flipped in its settings", func(t *testing.T, store, _ string) { flipIn(t, store, "meta.inf") }, false, true},
	{"an older copy put back", func(t *testing.T, store, older string) {
		removed(t, store, "")
		copyTree(t, store, older)
	}, false, true},
	{"an older copy put over it", func(t *testing.T, store, older string) { copyOver(t, store, older) }, false, true},
	{"something else in its place", func(t *testing.T, store, _ string) {
		removed(t, store, "")
		if err := os.Mkdir(store, 0o700); err != nil {
			t.Fatal(err)
		}
		replace(t, filepath.Join(store, "jetstream"), []byte("no store"))
	}, false, true},
}

func removed(t *testing.T, store, _ string) {
	if err := os.RemoveAll(store); err != nil {
		t.Fatal(err)
	}
}

func copyTree(t *testing.T, to, from string) {
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

// copyOver copies files over those of the same name and leaves the others.
func copyOver(t *testing.T, to, from string) {
	err := filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) || err == nil && d.IsDir() {
			return nil
		}
		if err != nil {
			return err
		}
		text, err := os.ReadFile(path)
		if errors.Is(err, fs.ErrNotExist) {
			return nil // a running broker has removed it meanwhile
		}
		if err != nil {
			return err
		}
		there := filepath.Join(to, strings.TrimPrefix(path, from))
		if err := os.MkdirAll(filepath.Dir(there), 0o700); err != nil {
			return err
		}
		return os.WriteFile(there, text, 0o600)
	})
	if err != nil {
		t.Error(err)
	}
}

// inStore calls f for each file of the records' stream whose path ends so.
func inStore(t *testing.T, store, end string, f func(path string)) {
	found := false
	err := filepath.WalkDir(store, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.HasSuffix(path, "BENCH_dock-3/"+end) {
			found = true
			f(path)
		}
		return err
	})
	if err != nil || !found {
		t.Fatalf("no %s in %s: %v", end, store, err)
	}
}

func cutEach(t *testing.T, store string) {
	inStore(t, store, "msgs/1.blk", func(path string) {
		info, err := os.Stat(path)
		if err == nil {
			err = os.Truncate(path, info.Size()/2)
		}
		if err != nil {
			t.Fatal(err)
		}
	})
}

func flipIn(t *testing.T, store, end string) {
	inStore(t, store, end, func(path string) {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		text[len(text)/2] ^= 4
		replace(t, path, text)
	})
}

// TestStoreDamaged damages the store of the embedded broker and starts the daemon.
// The stream must hold the whole journal again, each record once and in order,
// and the journal say what had been lost. The daemon must be there in time.
func TestStoreDamaged(t *testing.T) {
	t.Parallel()
	for _, d := range storeDamages {
		t.Run(d.name, func(t *testing.T) {
			t.Parallel()
			b := newStormBench(t, t.TempDir(), "")
			store := filepath.Join(b.dir, "nats")
			p := b.up(t)
			b.record(t, "first", 10)
			b.settled(t)
			p.stop(t)
			older := filepath.Join(t.TempDir(), "older")
			copyTree(t, older, store)
			p = b.up(t)
			b.record(t, "second", 10)
			before := len(b.settled(t))
			if d.running {
				d.do(t, store, older)
				b.record(t, "third", 5)
				p.kill()
			} else {
				p.stop(t)
				d.do(t, store, older)
			}
			b.checkRepaired(t, d, before)
		})
	}
}

// TestStoreRestored puts an older copy of the broker's store back, which was made while
// the broker ran and was written to: a copy of last week's, of which nobody knows whether
// it is whole.
func TestStoreRestored(t *testing.T) {
	t.Parallel()
	for _, stopped := range []bool{true, false} {
		t.Run(fmt.Sprint("stopped ", stopped), func(t *testing.T) {
			t.Parallel()
			b := newStormBench(t, t.TempDir(), "")
			store, older := filepath.Join(b.dir, "nats"), filepath.Join(t.TempDir(), "older")
			p := b.up(t)
			b.record(t, "first", 100)
			copied := make(chan struct{})
			go func() {
				defer close(copied)
				copyOver(t, older, store)
			}()
			acked := b.record(t, "meanwhile", 100)
			<-copied
			acked = append(acked, b.record(t, "later", 200)...)
			before := len(b.settled(t))
			if stopped {
				p.stop(t)
			} else {
				p.kill()
			}
			removed(t, store, "")
			copyOver(t, store, older)
			b.checkRepaired(t, storeDamage{lost: true}, before)
			checkAcked(t, acked, journalOf(t, b.dir))
		})
	}
}

func (b *stormBench) checkRepaired(t *testing.T, d storeDamage, before int) {
	t.Helper()
	began := time.Now()
	p := b.up(t)
	if took := time.Since(began); took > 15*time.Second {
		t.Errorf("the daemon took %v to answer", took)
	}
	until(t, "the event of the repair", func() bool { return len(repairsIn(t, journalOf(t, b.dir))) > 0 })
	lines := b.settled(t)
	got := repairsIn(t, lines)
	t.Logf("repaired: %+v", describe(got))
	x := got[len(got)-1]
	if len(got) != 1 || x.Why == "" || (x.From != nil) != (x.To != nil) {
		t.Errorf("repaired %v", describe(got))
	}
	if d.lost && x.Restored == 0 || !d.lost && x.From != nil {
		t.Errorf("repaired %v of %d records", describe(got), before)
	}
	p.stop(t)
	audit(t, b.dir, 0, "is sound")
	// The next start finds nothing to repair.
	p = b.up(t)
	if again := repairsIn(t, b.settled(t)); !slices.Equal(describe(again), describe(got)) {
		t.Errorf("repaired again: %v", describe(again))
	}
	p.stop(t)
}

func describe(list []brokerRepaired) []string {
	var out []string
	for _, x := range list {
		text, _ := json.Marshal(x)
		out = append(out, string(text))
	}
	return out
}
