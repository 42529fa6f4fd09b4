package main_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

const (
	loadRounds = 8
	loadRound  = 20 * time.Second
)

// rounds are what was seen of a daemon in the rounds of one kind, by name.
type rounds map[string][]float64

func (r rounds) add(name string, figure float64) { r[name] = append(r[name], figure) }

// median is that of the rounds: what else the computer did in one of them counts for little.
func (r rounds) median(name string) float64 {
	all := slices.Sorted(slices.Values(r[name]))
	return all[len(all)/2]
}

// BenchmarkLoad runs a daemon that is polled at 50 Hz and records a pull each second,
// in turns without anybody else and with 200 pages and 500 subscribers, a tenth of
// them stalled, and reports the medians of both and their ratio:
//
//	go test ./cmd/thimbled -run '^$' -bench 'Load$' -benchtime 1x -timeout 30m
func BenchmarkLoad(b *testing.B) {
	for b.Loop() {
		i, m := pulled(b)
		prefer(b, m.program)
		prefer(b, &program{command: &exec.Cmd{Process: &os.Process{Pid: os.Getpid()}}}) // the indicator
		n := dialNATS(b, m.nats)
		n.subscribe("bench.dock-3.reading")
		n.subscribe("bench.dock-3.event.pull.ended")
		readFor(n, 5*time.Second)
		alone, crowded := rounds{}, rounds{}
		for range loadRounds {
			alone.round(b, i, m, n)
			a := seat(b, m, mostPages, mostSubscribers)
			readFor(n, 2*time.Second) // what came while they came in is no part of it
			crowded.round(b, i, m, n)
			seen := a.leave(b)
			if seen["lost"] != 0 {
				b.Errorf("the audience has seen %v", seen)
			}
			readFor(n, 2*time.Second)
		}
		compare(b, alone, crowded)
		m.stop(b)
	}
	noPerOp(b)
}

// round observes the daemon for a while.
func (r rounds) round(b *testing.B, i *indicator, m measured, n *rawNATS) {
	b.Helper()
	pid := m.command.Process.Pid
	before := scrape(b, m.web)
	began, used := time.Now(), processorTime(b, pid)
	var reading, recorded []time.Duration
	for time.Since(began) < loadRound {
		switch at := n.next(); {
		case strings.HasSuffix(at.subject, ".reading"):
			reading = appendReading(b, reading, i, at.body)
		default:
			recorded = append(recorded, headerTime(b, at, "ce-recordedtime").Sub(headerTime(b, at, "ce-time")))
		}
	}
	r.add("%-of-core", 100*(processorTime(b, pid)-used).Seconds()/time.Since(began).Seconds())
	after := scrape(b, m.web)
	for name, metric := range map[string]string{"late": "thimbled_poll_lateness_seconds", "sync": "thimbled_journal_sync_seconds"} {
		s := spreadOf(b, after, metric).since(spreadOf(b, before, metric))
		r.add(name+"-p50-µs", s.percentile(50))
		r.add(name+"-p99-µs", s.percentile(99))
	}
	r.addTimes("reading", reading)
	r.addTimes("recorded", recorded)
	const missed = `thimbled_missed_polls_total{instrument="load"}`
	r.add("missed", figureOf(b, after, missed)-figureOf(b, before, missed))
	r.add("MB", residentMB(b, pid))
	r.add("open", float64(descriptorsOf(b, pid)))
}

func (r rounds) addTimes(name string, times []time.Duration) {
	slices.Sort(times)
	for _, percent := range []int{50, 99} {
		r.add(fmt.Sprintf("%s-p%d-µs", name, percent), float64(times[len(times)*percent/100])/float64(time.Microsecond))
	}
}

// appendReading appends how long ago the last byte of a reading's answer went out.
func appendReading(b *testing.B, all []time.Duration, i *indicator, body []byte) []time.Duration {
	got := time.Now()
	var x liveReading
	if err := json.Unmarshal(body, &x); err != nil {
		b.Fatal(err)
	}
	if x.Force == nil {
		return all
	}
	since := got.Sub(i.sentAt(uint32(math.Round(*x.Force * 1000))))
	if since > time.Second {
		return all // the same reading told again
	}
	return append(all, since)
}

func compare(b *testing.B, alone, crowded rounds) {
	b.Helper()
	for _, name := range slices.Sorted(maps.Keys(alone)) {
		b.ReportMetric(alone.median(name), "alone-"+name)
		b.ReportMetric(crowded.median(name), "crowded-"+name)
		b.Logf("%s: alone %.5g, crowded %.5g", name, alone[name], crowded[name])
		if a := alone.median(name); a > 0 {
			b.ReportMetric(crowded.median(name)/a, name+"-ratio")
		}
	}
}

// figureOf is a figure of the daemon's own metrics.
func figureOf(b *testing.B, text, name string) (figure float64) {
	b.Helper()
	_, rest, found := strings.Cut(text, "\n"+name+" ")
	if _, err := fmt.Sscan(rest, &figure); err != nil || !found {
		b.Fatalf("the metrics do not tell %s: %v", name, err)
	}
	return figure
}

// spread is a histogram of the daemon's own metrics: counts of what was at most as
// long as each bound, in seconds.
type spread struct{ bounds, counts []float64 }

// spreadOf reads one.
func spreadOf(b *testing.B, text, name string) (s spread) {
	b.Helper()
	for line := range strings.Lines(text) {
		var bound string
		var count float64
		if n, _ := fmt.Sscanf(line, name+"_bucket{le=%q} %g", &bound, &count); n != 2 {
			continue
		}
		limit, err := strconv.ParseFloat(bound, 64)
		if err != nil {
			b.Fatal(err)
		}
		s.bounds, s.counts = append(s.bounds, limit), append(s.counts, count)
	}
	if len(s.counts) == 0 {
		b.Fatalf("the metrics have no %s", name)
	}
	return s
}

// since is what came after an earlier one.
func (s spread) since(before spread) spread {
	counts := slices.Clone(s.counts)
	for i := range counts {
		counts[i] -= before.counts[i]
	}
	return spread{s.bounds, counts}
}

// percentile is the time in microseconds that so many in a hundred do not exceed, taken to lie evenly
// between two bounds, as Prometheus's histogram_quantile has it.
func (s spread) percentile(percent float64) float64 {
	rank := s.counts[len(s.counts)-1] * percent / 100
	low, below := 0.0, 0.0
	for i, count := range s.counts {
		if count >= rank && count > below {
			high := s.bounds[i]
			if math.IsInf(high, 1) {
				return low * 1e6
			}
			return 1e6 * (low + (high-low)*(rank-below)/(count-below))
		}
		low, below = s.bounds[i], count
	}
	return low * 1e6
}
