package main

import (
	"io/fs"
	"runtime"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

// unsynced is the operating system's files without their syncs, to write a big
// journal in little time.
type unsynced struct{ journal.FS }

type unsyncedFile struct{ journal.File }

func (unsyncedFile) Sync() error { return nil }

func (u unsynced) OpenFile(name string, flag int, perm fs.FileMode) (journal.File, error) {
	f, err := u.FS.OpenFile(name, flag, perm)
	return unsyncedFile{f}, err
}

// BenchmarkSpeedSeal is the time to open a journal of a million records without and
// with the tree over its lines, to audit its signatures, and to seal it once more.
func BenchmarkSpeedSeal(b *testing.B) {
	const n = 1_000_000
	dir, key := b.TempDir(), b.TempDir()+"/key"
	if err := seal.MakeKey(key, ""); err != nil {
		b.Fatal(err)
	}
	k, err := seal.ReadKey(key)
	if err != nil {
		b.Fatal(err)
	}
	s := &sealer{key: k, origin: "thimbled/bench/dock-3"}
	w, opened, err := journal.Open(dir, journal.Options{Bench: "dock-3", FS: unsynced{journal.OS}, Tally: newEdge})
	if err != nil {
		b.Fatal(err)
	}
	s.goOn(opened)
	add := func(e peak.Event) {
		if _, err := w.Append(publish.Encode(e, publish.Clock{}, nil)); err != nil {
			b.Fatal(err)
		}
	}
	for i := range n/100 - 1 {
		for range 99 {
			add(peak.PullEnded{Pull: int64(i), Peak: peak.Known(101 * peak.Kilonewton), Verdict: peak.Pass})
		}
		e, err := s.event(0, sealTestEnded)
		if err != nil {
			b.Fatal(err)
		}
		add(e)
	}
	w.Close()
	for name, tally := range map[string]func() journal.Tally{"open": nil, "open with the tree": newEdge} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				w, _, err := journal.Open(dir, journal.Options{Bench: "dock-3", Tally: tally})
				if err != nil {
					b.Fatal(err)
				}
				w.Close()
			}
		})
	}
	b.Run("seal", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.event(time.Second, sealDaily); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("audit with signatures", func(b *testing.B) {
		for b.Loop() {
			r, err := (&auditFlags{}).audit(dir, []seal.PublicKey{k.Public()})
			if err != nil || !r.sound() {
				b.Fatal(err)
			}
		}
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.Sys)/1e6, "MB-from-the-system")
	})
	b.Run("audit without", func(b *testing.B) {
		for b.Loop() {
			if _, err := journal.Audit(dir); err != nil {
				b.Fatal(err)
			}
		}
	})
}
