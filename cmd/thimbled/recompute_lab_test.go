package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"testing"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/metrics"
	"thimbled/publish/search"
)

// lab writes a journal as the daemon does, with its own loop, recorder and core, in no
// time: readings are made up by a seeded generator and nothing is synced.
type lab struct {
	t      testing.TB
	dir    string
	config *config.Config
	chance *rand.Rand
	wall   time.Time // when elapsed time 0 of this run was
	at     time.Duration
	stop   func() // ends the index
	d      *daemon

	zero  peak.Force // what the indicator shows without load
	jam   bool       // the guides take half of the force
	count int        // of readings
	load  peak.Force
	jobs  int
}

// swift also leaves out the syncs of folders.
type swift struct{ unsynced }

func (swift) SyncDir(string) error { return nil }

const labConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"
[[line]]
name = "gateway"
kind = "tcp"
address = "127.0.0.1:502"
[load]
line = "gateway"
serial = "LC-250-17"
%s
[pressure]
line = "gateway"
unit_id = 2
[cylinder]
bore = "200 mm"
rod = "110 mm"
[zero]
shift_limit = "400 N"
motion = "%d N"
`

func newLab(t testing.TB, more string) *lab {
	b := &lab{t: t, dir: t.TempDir(), chance: rand.New(rand.NewPCG(4, 1)), wall: time.Date(2026, 11, 2, 7, 0, 0, 123, time.UTC), zero: 180 * peak.Newton}
	b.setConfig(more, 100)
	b.open()
	return b
}

func (b *lab) setConfig(more string, motion int) {
	c, err := config.Parse("lab.toml", fmt.Appendf(nil, labConfig, more, motion))
	if err != nil {
		b.t.Fatal(err)
	}
	b.config = c
}

// open starts a daemon without its lines.
func (b *lab) open() {
	ctx, cancel := context.WithCancel(context.Background())
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	w, opened, err := journal.Open(b.dir, journal.Options{
		Bench: b.config.Bench.ID, FS: swift{unsynced{journal.OS}}, MinFree: 1, Now: func() time.Time { return b.wall.Add(b.at) },
	})
	b.must(err)
	if opened.InHand != nil {
		b.must(endInterrupted(w, b.dir, opened.InHand, b.config, log))
	}
	b.at = 0
	clock := publish.Clock{Epoch: b.wall}
	from, traces, err := goOn(ctx, w, opened, clock)
	b.must(err)
	d := &daemon{config: b.config, dir: b.dir, log: log, journal: w, index: search.New()}
	d.loop = &loop{
		asks: make(chan ask), bench: b.config.Bench.ID, version: "0", start: b.wall, clock: clock, machine: peak.New(b.config.Settings(), from),
		journal: w, record: recorder{journal: w, scaled: b.config.Load.Scaling() != ""}, log: log, traces: traces,
		ready: readiness{config: b.config}, broker: func() error { return nil },
	}
	d.loop.metrics = metrics.New(metrics.Options{Snapshot: d.loop.snapshot.Load, Now: d.loop.now})
	d.loop.parameters, err = readParameters(ctx, w, opened.Parameters)
	b.must(err)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		d.index.Run(ctx, w)
	}()
	b.d, b.stop = d, func() { cancel(); <-ended }
	d.loop.settle([]peak.Event{peak.DaemonStarted{Version: "0", ConfigDigest: b.config.Digest, CleanBefore: opened.Clean}})
	if e, ok := d.loop.parameters.start(b.config, "0"); ok {
		d.loop.settle([]peak.Event{e})
	}
}

// close stops the daemon in order; die is a power cut.
func (b *lab) close() {
	b.d.loop.settle(b.d.loop.machine.Stop())
	b.d.loop.settle([]peak.Event{peak.DaemonStopped{At: b.at, Clean: true}})
	b.die()
}

func (b *lab) die() {
	b.stop()
	b.must(b.d.journal.Close())
	b.wall = b.d.loop.clock.Epoch.Add(b.at + 40*time.Second)
}

func (b *lab) must(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

// step hands the core an input.
func (b *lab) step(in peak.Input) { b.d.loop.settle(b.d.loop.machine.Step(in)) }

// read takes a reading of the load that is there.
func (b *lab) read(q peak.Quality) {
	b.at += 20*time.Millisecond + time.Duration(b.chance.IntN(900_000))
	b.count++
	noise := peak.Force(b.chance.IntN(41)-20) * peak.Newton
	x := row{reading: peak.Reading{At: b.at, Quality: q}}
	if q == peak.Good {
		x.reading.Force = (b.load + b.zero + noise) / (10 * peak.Newton) * (10 * peak.Newton)
		if l := b.config.Load; l.Scaling() != "" {
			x.raw = float64(x.reading.Force/(10*peak.Newton)) * 2 // counts of 5 N
			x.reading.Force, _ = forceMaker(b.config)(x.raw)
		}
	}
	if b.count%5 == 0 { // the piston's annulus has 0.0219 m²
		bar := int64(b.load) * 100 / 2191
		if b.jam && b.load > 20*peak.Kilonewton {
			bar = bar * 3 / 2
		}
		x.reading.Pressure = peak.Known(peak.Pressure(max(0, bar*46/1000*1000)/46) + peak.Pressure(b.chance.IntN(2000)))
	}
	b.d.loop.record.add(x)
	b.step(&x.reading)
}

// stay reads the load for so many readings.
func (b *lab) stay(n int) {
	for range n {
		b.read(peak.Good)
	}
}

// to moves the load in so many readings.
func (b *lab) to(load peak.Force, n int) {
	from := b.load
	for i := 1; i <= n; i++ {
		b.load = from + (load-from)*peak.Force(i)/peak.Force(n)
		b.read(peak.Good)
	}
}

// bad is so many polls without a good reading.
func (b *lab) bad(q peak.Quality, n int) {
	for range n {
		b.read(q)
	}
}
