package main_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

// unsyncedDisk is the operating system's files without their syncs, to write a big
// journal in little time.
type unsyncedDisk struct{ journal.FS }

type unsyncedDiskFile struct{ journal.File }

func (unsyncedDiskFile) Sync() error { return nil }

func (u unsyncedDisk) OpenFile(name string, flag int, perm fs.FileMode) (journal.File, error) {
	f, err := u.FS.OpenFile(name, flag, perm)
	return unsyncedDiskFile{f}, err
}

// writeYears writes the journal of so many pulls, seven for five tests, each test
// inspected, without traces.
func writeYears(b *testing.B, dir string, pulls int64) (records uint64, bytes int64) {
	b.Helper()
	at := time.Duration(0)
	begun := time.Date(2016, 1, 4, 7, 0, 0, 0, time.UTC)
	clock := publish.Clock{Epoch: begun}
	w, _, err := journal.Open(dir, journal.Options{Bench: "dock-3", FS: unsyncedDisk{journal.OS}, Now: func() time.Time { return begun.Add(at) }})
	if err != nil {
		b.Fatal(err)
	}
	add := func(e peak.Event) {
		r, err := w.Append(publish.Encode(e, clock, nil))
		if err != nil {
			b.Fatal(err)
		}
		records, bytes = r.Number, bytes+int64(len(r.Line))
	}
	demand := peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton), Hold: 10 * time.Second}
	for pull, n := int64(0), 0; pull < pulls; n++ {
		j := peak.Job{
			ID: fmt.Sprintf("j-%07d", n), Item: fmt.Sprintf("HL-%06d", n%300_007), Description: fmt.Sprintf("wire rope sling, %d m", 1+n%20),
			Kind: "wire rope sling", WLL: peak.Known(50 * peak.Kilonewton), Owner: fmt.Sprintf("berth %d", n%300), Operator: "A. Lind", Source: "twice the WLL",
			Planned: []peak.Planned{{Label: "whole item", Requirement: demand}},
		}
		add(peak.JobOpened{At: at, Job: j, By: j.Operator})
		var made []peak.Attempt
		for range 1 + n%5%2 {
			pull++
			at += 2 * time.Minute
			p := peak.PullEnded{
				Pull: pull, StartedAt: at, EndedAt: peak.Known(at + 20*time.Second), DecidedAt: at + 21*time.Second, Peak: peak.Known(103 * peak.Kilonewton),
				PeakAt: at + 4*time.Second, Highest: 103 * peak.Kilonewton, Requirement: peak.Known(demand), Verdict: peak.Pass, Job: j.ID, Label: "whole item",
				Hold: peak.Hold{For: 11 * time.Second, From: peak.Known(at + 2*time.Second), To: peak.Known(at + 13*time.Second)},
			}
			add(peak.PullStarted{Pull: pull, StartedAt: at, Requirement: p.Requirement, Job: j.ID, Label: p.Label})
			add(peak.HoldReached{Pull: pull, ReachedAt: at + 12*time.Second, Hold: 10 * time.Second})
			add(p)
			made = append(made, peak.Attempt{Ended: p})
		}
		at += time.Minute
		add(peak.TestEnded{At: at, Job: j, Verdict: peak.Pass, Attempts: made})
		add(peak.ItemInspected{At: at, Job: j.ID, Item: j.Item, Inspector: "B. Ek", Accepted: true, Examined: "eyes and splices", By: "B. Ek"})
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	return records, bytes
}

const yearsConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"
[[line]]
name = "wire"
kind = "tcp"
address = "127.0.0.1:1"
[load]
line = "wire"
[journal]
dir = %q
[nats]
url = "nats://127.0.0.1:1"
[http]
listen = %q
[seal]
key = %q
`

// BenchmarkSpeedYears is the start of the daemon on the journal of ten years and of
// one, without a broker: first when nothing is on note, then as always. Below 3 s,
// and hardly more memory for ten times the journal, are the goals.
func BenchmarkSpeedYears(b *testing.B) {
	for _, pulls := range []int64{100_000, 1_000_000} {
		b.Run(fmt.Sprint(pulls), func(b *testing.B) {
			dir := b.TempDir()
			folder, key, web := filepath.Join(dir, "journal"), filepath.Join(dir, "key"), reserve(b)
			records, size := writeYears(b, folder, pulls)
			b.Logf("%d records, %d MB", records, size/1e6)
			if err := seal.MakeKey(key, ""); err != nil {
				b.Fatal(err)
			}
			path := filepath.Join(dir, "bench.toml")
			if err := os.WriteFile(path, fmt.Appendf(nil, yearsConfig, folder, web, key), 0o600); err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				startYears(b, path, web, folder, "first")
				startYears(b, path, web, folder, "then")
			}
			noPerOp(b)
		})
	}
}

// startYears starts the daemon, waits until it is done with what it does after a
// start, and reports what that took.
func startYears(b *testing.B, path, web, folder, when string) {
	b.Helper()
	began := time.Now()
	p := start(b, "run", "--config", path)
	within(b, 10*time.Minute, "the daemon to answer", func() bool {
		r, err := http.Get("http://" + web + "/healthz")
		if err == nil {
			r.Body.Close()
		}
		return err == nil
	})
	b.ReportMetric(time.Since(began).Seconds(), when+"-s-to-answer")
	most := 0.0
	look := func() { most = max(most, residentMB(b, p.command.Process.Pid)) }
	settled(b, folder, p, look)
	b.Logf("%s: at rest after %.1f s", when, time.Since(began).Seconds())
	b.ReportMetric(most, when+"-MB-at-most")
	b.ReportMetric(residentMB(b, p.command.Process.Pid), when+"-MB-at-rest")
	if err := p.command.Process.Signal(syscall.SIGTERM); err != nil {
		b.Fatal(err)
	}
	if err := p.command.Wait(); err != nil {
		b.Fatal(err)
	}
}

// settled waits until a process has used no more than a tenth of a core for five
// seconds.
func settled(b *testing.B, folder string, p *program, look func()) {
	b.Helper()
	for quiet, before := 0, processorTime(b, p.command.Process.Pid); quiet < 5; {
		time.Sleep(time.Second)
		look()
		now := processorTime(b, p.command.Process.Pid)
		if quiet++; now-before > 100*time.Millisecond {
			quiet = 0
		}
		before = now
	}
	if note, err := os.ReadFile(filepath.Join(folder, "checked")); err != nil || !bytes.Contains(note, []byte("dock-3")) {
		b.Fatalf("nothing is on note: %s, %v", note, err)
	}
}
