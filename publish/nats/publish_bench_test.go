package nats

import (
	"slices"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"

	"thimbled/peak"
)

// quantiles reports the p50 and p99 of some times, in microseconds.
func quantiles(b *testing.B, took []time.Duration) {
	b.Helper()
	slices.Sort(took)
	at := func(p int) float64 { return float64(took[len(took)*p/100].Microseconds()) }
	b.ReportMetric(at(50), "p50-µs")
	b.ReportMetric(at(99), "p99-µs")
}

// From the moment a reading is offered until a subscriber on another connection,
// over loopback TCP, has it; one reading each 10 ms.
func BenchmarkReadingLatency(b *testing.B) {
	s := embed(b)
	l := NewLive(dial(b, LinkOptions{Server: s}), 0)
	waitFor(b, "a connection", l.link.Connected)
	got := make(chan time.Time, 1)
	c := client(b, s.URL())
	if _, err := c.Subscribe("bench.dock-3.reading", func(*natsgo.Msg) { got <- time.Now() }); err != nil {
		b.Fatal(err)
	}
	if err := c.Flush(); err != nil {
		b.Fatal(err)
	}
	run(b, l.Run)
	var took []time.Duration
	snap := snapshot(0, peak.Kilonewton)
	for b.Loop() {
		time.Sleep(10 * time.Millisecond)
		begun := time.Now()
		l.Publish(snap, spanOf(0, peak.Kilonewton), time.Duration(len(took)))
		took = append(took, (<-got).Sub(begun))
	}
	quantiles(b, took)
}

// From the moment a record is in the journal until the broker has acknowledged
// it, synced to disk.
func BenchmarkRecordLatency(b *testing.B) {
	s, j := embed(b), newJournal()
	p := NewPublisher(dial(b, LinkOptions{Server: s}), j, nil)
	run(b, p.Run)
	j.add(1, "a")
	published(b, p)
	var took []time.Duration
	for b.Loop() {
		time.Sleep(5 * time.Millisecond)
		begun := time.Now()
		j.add(1, "a")
		for p.Published() != j.Last() {
			time.Sleep(10 * time.Microsecond)
		}
		took = append(took, time.Since(begun))
	}
	quantiles(b, took)
}

// Filling a stream from the journal, one record after the other.
func BenchmarkCatchUp(b *testing.B) {
	const records = 2000
	var took time.Duration
	for b.Loop() {
		s, j := embed(b), newJournal()
		j.add(records, "a")
		p := NewPublisher(dial(b, LinkOptions{Server: s}), j, nil)
		begun := time.Now()
		stop := run(b, p.Run)
		published(b, p)
		took += time.Since(begun)
		stop()
	}
	b.ReportMetric(float64(records*b.N)/took.Seconds(), "records/s")
}

// What the caller's loop pays for one reading.
func BenchmarkOfferReading(b *testing.B) {
	l := NewLive(&Link{bench: benchID}, 0)
	snap := snapshot(0, peak.Kilonewton)
	for i := 0; b.Loop(); i++ {
		l.Publish(snap, spanOf(0, peak.Kilonewton), time.Duration(i))
	}
}

func BenchmarkMessage(b *testing.B) {
	j := newJournal()
	j.add(1, "a")
	for b.Loop() {
		if _, err := message(benchID, j.records[0]); err != nil {
			b.Fatal(err)
		}
	}
}
