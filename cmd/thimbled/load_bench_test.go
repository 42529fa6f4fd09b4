package main_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"
)

const (
	loadRounds = 8
	loadRound  = 20 * time.Second
)

// cost is what was seen of a daemon in the rounds of one kind.
type cost struct {
	late, reading   []time.Duration // polls after their moments; last byte of an answer to the subscriber
	recorded        []time.Duration // from what decided the end of a pull to its durable record
	used, took      time.Duration   // of one core
	resident        float64         // MB, the most
	open            int             // descriptors, the most
	missed          float64         // polls that were not made
	told, delivered int64           // to the audience
}

// BenchmarkLoad runs a daemon that is polled at 50 Hz and records a pull each second,
// in turns without anybody else and with 200 pages and 500 subscribers, a tenth of
// them stalled, and reports both and their ratio:
//
//	go test ./cmd/thimbled -run '^$' -bench 'Load$' -benchtime 1x -timeout 30m
func BenchmarkLoad(b *testing.B) {
	for b.Loop() {
		p := pulled(b)
		prefer(b, p.program)
		prefer(b, &program{command: &exec.Cmd{Process: &os.Process{Pid: os.Getpid()}}}) // the indicator
		n := dialNATS(b, p.nats)
		n.subscribe("bench.dock-3.reading")
		n.subscribe("bench.dock-3.event.pull.ended")
		readFor(n, 5*time.Second)
		var alone, crowded cost
		for range loadRounds {
			alone.round(b, p, n)
			a := seat(b, p.measured, mostPages, mostSubscribers)
			readFor(n, 2*time.Second) // what came while they came in is no part of it
			crowded.round(b, p, n)
			seen := a.leave(b)
			crowded.told, crowded.delivered = crowded.told+seen["told"], crowded.delivered+seen["messages"]
			if seen["lost"] != 0 {
				b.Errorf("the audience has seen %v", seen)
			}
			readFor(n, 2*time.Second)
		}
		alone.report(b, "alone")
		crowded.report(b, "crowded")
		compare(b, &alone, &crowded)
		p.stop(b)
	}
	noPerOp(b)
}

// round observes the daemon for a while and adds to what was seen.
func (c *cost) round(b *testing.B, p pulling, n *rawNATS) {
	b.Helper()
	const missed = `thimbled_missed_polls_total{instrument="load"}`
	pid := p.command.Process.Pid
	before := metricOf(b, p.web, missed)
	p.arrivals.take()
	began, used := time.Now(), processorTime(b, pid)
	for time.Since(began) < loadRound {
		c.note(b, p, n.next(), time.Now())
	}
	c.used += processorTime(b, pid) - used
	c.took += time.Since(began)
	c.late = append(c.late, p.arrivals.late()...)
	c.missed += metricOf(b, p.web, missed) - before
	c.resident, c.open = max(c.resident, residentMB(b, pid)), max(c.open, descriptorsOf(b, pid))
}

// note takes the times of a message.
func (c *cost) note(b *testing.B, p pulling, m natsMessage, got time.Time) {
	if strings.HasSuffix(m.subject, ".reading") {
		var r liveReading
		if err := json.Unmarshal(m.body, &r); err != nil {
			b.Fatal(err)
		}
		if r.Force == nil {
			return
		}
		sent := p.sentAt(uint32(math.Round(*r.Force * 1000)))
		if since := got.Sub(sent); since < time.Second { // not the same reading told again
			c.reading = append(c.reading, since)
		}
		return
	}
	c.recorded = append(c.recorded, headerTime(b, m, "ce-recordedtime").Sub(headerTime(b, m, "ce-time")))
}

func (c *cost) report(b *testing.B, who string) {
	b.Helper()
	reportTimes(b, who+"-late", c.late)
	reportTimes(b, who+"-reading", c.reading)
	reportTimes(b, who+"-recorded", c.recorded)
	b.ReportMetric(c.processor(), who+"-%-of-core")
	b.ReportMetric(c.resident, who+"-MB")
	b.ReportMetric(float64(c.open), who+"-open")
	b.ReportMetric(c.missed, who+"-missed")
	b.Logf("%s: %d polls, %d readings, %d records, told %d on pages, %d messages", who, len(c.late), len(c.reading), len(c.recorded), c.told, c.delivered)
}

func (c *cost) processor() float64 { return 100 * c.used.Seconds() / c.took.Seconds() }

func compare(b *testing.B, alone, crowded *cost) {
	b.Helper()
	for _, of := range []struct {
		what string
		a, c []time.Duration // sorted by now
	}{{"late", alone.late, crowded.late}, {"reading", alone.reading, crowded.reading}, {"recorded", alone.recorded, crowded.recorded}} {
		for _, percent := range []int{50, 99} {
			ratio := float64(of.c[len(of.c)*percent/100]) / float64(of.a[len(of.a)*percent/100])
			b.ReportMetric(ratio, fmt.Sprintf("%s-p%d-ratio", of.what, percent))
		}
	}
	b.ReportMetric(crowded.processor()/alone.processor(), "cpu-ratio")
}

// late is by how much each request came after its moment. The moments are 20 ms
// apart; where they lie shows in the request that came earliest.
func (a *arrivals) late() (all []time.Duration) {
	times := a.take()
	if len(times) == 0 {
		return nil
	}
	for _, t := range times {
		all = append(all, t.Sub(times[0])%pollEvery)
	}
	// The earliest stands after the widest gap around the clock of 20 ms.
	sorted := slices.Sorted(slices.Values(all))
	earliest, widest := sorted[0], sorted[0]+pollEvery-sorted[len(sorted)-1]
	for i := range len(sorted) - 1 {
		if gap := sorted[i+1] - sorted[i]; gap > widest {
			earliest, widest = sorted[i+1], gap
		}
	}
	for i := range all {
		all[i] = (all[i] - earliest + pollEvery) % pollEvery
	}
	return all
}
