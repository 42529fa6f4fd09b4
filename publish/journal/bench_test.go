package journal

import (
	"fmt"
	"io/fs"
	"slices"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// unsynced is the operating system's files without their syncs, to write a big
// journal in little time.
type unsynced struct{ FS }

type unsyncedFile struct{ File }

func (u unsynced) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	f, err := u.FS.OpenFile(name, flag, perm)
	return unsyncedFile{f}, err
}

func (unsyncedFile) Sync() error { return nil }

// pulls appends so many records, three for each pull.
func pulls(b *testing.B, w *Writer, records int) {
	requirement := peak.Known(peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton), Hold: 10 * time.Second})
	for i := range records / 3 {
		at, pull := time.Duration(i)*time.Minute, int64(i+1)
		for _, e := range []publish.Event{
			encode(peak.PullStarted{Pull: pull, StartedAt: at, Requirement: requirement}, nil),
			encode(peak.HoldReached{Pull: pull, ReachedAt: at + 20*time.Second, Hold: 10 * time.Second}, nil),
			encode(peak.PullEnded{Pull: pull, StartedAt: at, DecidedAt: at + 30*time.Second, Peak: peak.Known(101 * peak.Kilonewton), PeakAt: at, Requirement: requirement, Verdict: peak.Pass}, nil),
		} {
			if _, err := w.Append(e); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkOpen is the time to open, to read and to audit a journal of so many
// records, traces left out.
func BenchmarkOpen(b *testing.B) {
	for _, n := range []int{99_999, 999_999} {
		dir := b.TempDir()
		w, _, err := Open(dir, Options{Bench: bench, FS: unsynced{OS}})
		if err != nil {
			b.Fatal(err)
		}
		pulls(b, w, n)
		w.Close()
		b.Run(fmt.Sprintf("open/%d", n), func(b *testing.B) {
			b.SetBytes(total(b, dir))
			for b.Loop() {
				w, opened, err := Open(dir, Options{Bench: bench})
				if err != nil || opened.Last != uint64(n) || opened.LastPull != int64(n/3) {
					b.Fatal(opened, err)
				}
				w.Close()
			}
		})
		b.Run(fmt.Sprintf("records/%d", n), func(b *testing.B) {
			for b.Loop() {
				for _, err := range Records(dir) {
					if err != nil {
						b.Fatal(err)
					}
				}
			}
		})
		b.Run(fmt.Sprintf("audit/%d", n), func(b *testing.B) {
			for b.Loop() {
				if r, err := Audit(dir); err != nil || !r.Sound() || r.Records != uint64(n) {
					b.Fatal(r, err)
				}
			}
		})
	}
}

func total(b *testing.B, dir string) (bytes int64) {
	found, err := list(OS, dir)
	if err != nil {
		b.Fatal(err)
	}
	for _, first := range found.segments {
		l, err := openLines(OS, dir, first)
		if err != nil {
			b.Fatal(err)
		}
		size, _ := l.file.Size()
		bytes += size
		l.close()
	}
	return bytes
}

// BenchmarkAppend is the time until a record is durable, on the disk below the
// temporary folder.
func BenchmarkAppend(b *testing.B) {
	w, _, err := Open(b.TempDir(), Options{Bench: bench})
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	e := encode(peak.PullEnded{Pull: 1, Verdict: peak.Pass}, nil)
	var all []time.Duration
	for b.Loop() {
		from := time.Now()
		if _, err := w.Append(e); err != nil {
			b.Fatal(err)
		}
		all = append(all, time.Since(from))
	}
	slices.Sort(all)
	for _, p := range []int{50, 99} {
		b.ReportMetric(float64(all[len(all)*p/100].Microseconds()), fmt.Sprintf("p%d-µs", p))
	}
}
