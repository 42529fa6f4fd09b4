package main

import (
	"encoding/json"
	"errors"
	"flag"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

var (
	seeds     = flag.Int("seeds", 2, "how many fresh `seeds` TestSimulation takes beside the fixed ones")
	firstSeed = flag.Uint64("seed", 0, "the first of the fresh `seeds`; 0 draws one")
)

const (
	fixedSeeds = 6
	lives      = 8 // of daemons in the life of a world
)

// simulate runs a world of one seed to its end.
func simulate(t *testing.T, seed uint64) (w *world, story string) {
	freshTimers()
	defer freshTimers()
	synctest.Test(t, func(t *testing.T) {
		w = newWorld(t, seed)
		for range lives {
			if w.liveOnce(); w.problem != nil {
				break
			}
		}
		if w.problem == nil {
			w.over()
			story = w.story()
		}
		if w.cable.wrong != nil {
			w.fail("line: %w", w.cable.wrong)
		}
		w.broker.drop()
		time.Sleep(time.Minute) // what was left behind comes to its end
	})
	if w.problem != nil {
		t.Errorf("seed %d: %v", seed, w.problem)
	}
	return w, story
}

// freshTimers empties the pools that libraries keep timers in: one of simulated time is
// of no use in another.
func freshTimers() { runtime.GC(); runtime.GC() }

// The whole daemon, with faults in its line, disk, clock and broker, dies and starts anew
// again and again. Nothing acknowledged is lost, nothing is on the broker twice, no wrong
// reading is accepted, none that is old looks fresh, verdicts are those of an undisturbed
// core, and the audit is sound.
func TestSimulation(t *testing.T) {
	first := *firstSeed
	if first == 0 {
		first = rand.Uint64()
	}
	t.Logf("fresh seeds from -seed %d", first)
	seen, cuts, records, daemons := map[string]int{}, 0, 0, 0
	began := time.Now()
	for i := range fixedSeeds + *seeds {
		seed := uint64(i)
		if i >= fixedSeeds {
			seed = first + uint64(i-fixedSeeds)
		}
		w, _ := simulate(t, seed)
		for _, of := range []map[string]int{w.seen, w.broker.seen} {
			for kind, n := range of {
				seen[kind] += n
			}
		}
		cuts, records, daemons = cuts+w.cuts, records+len(w.acked), daemons+w.lives
		if t.Failed() {
			break
		}
	}
	t.Logf("%d daemons, %d power cuts, %d records, in %v", daemons, cuts, records, time.Since(began).Round(time.Second/10))
	for _, kind := range slices.Sorted(maps.Keys(seen)) {
		t.Logf("%6d %s", seen[kind], kind)
	}
}

// The same seed gives the same records, byte for byte, and the same on the broker.
func TestSimulationIsRepeated(t *testing.T) {
	_, a := simulate(t, 1)
	_, b := simulate(t, 1)
	_, c := simulate(t, 2)
	if a != b {
		t.Errorf("two runs of one seed differ at byte %d:\n%s", differ(a, b), a[max(0, differ(a, b)-300):min(len(a), differ(a, b)+100)])
	}
	if a == c {
		t.Error("another seed gives the same")
	}
}

func differ(a, b string) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return min(len(a), len(b))
}

// judgeTraces checks that each trace is a stretch of the readings that were accepted, and
// that it judges the pull as its record does.
func (w *world) judgeTraces(dir string) {
	var started peak.PullStarted
	var at uint64
	for n := uint64(1); n <= uint64(len(w.acked)); n++ {
		var line struct {
			Type string
			Data json.RawMessage
		}
		if err := json.Unmarshal(w.acked[n], &line); err != nil {
			w.fail("record %d: %w", n, err)
			return
		}
		e, err := publish.Decode(publish.Event{Type: line.Type, Data: line.Data}, sinceEpoch, publish.Traces{})
		if err != nil {
			continue
		}
		switch e := e.(type) {
		case peak.PullStarted:
			started, at = e, n
		case peak.PullEnded:
			if e.Pull != started.Pull {
				w.fail("record %d ends pull %d, and pull %d is in hand", n, e.Pull, started.Pull)
			}
			w.judgeTrace(dir, at, e, line.Data)
		}
	}
}

func (w *world) judgeTrace(dir string, number uint64, e peak.PullEnded, data []byte) {
	var named struct{ Trace *publish.Trace }
	if err := json.Unmarshal(data, &named); err != nil || named.Trace == nil {
		return // the disk failed under it, or the power before it was begun
	}
	rows, err := readTrace(filepath.Join(dir, named.Trace.Name))
	if err != nil {
		w.fail("trace of pull %d: %w", e.Pull, err)
		return
	}
	for _, r := range w.runs {
		if n := r.started[e.Pull]; n > 0 && r.known[number] != nil {
			r.holds(e, rows, n)
		}
	}
	w.seen["trace: judged"]++
}

func readTrace(name string) (rows []peak.Reading, err error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	t, err := journal.NewTraceReader(f)
	if err != nil {
		return nil, err
	}
	for {
		var x peak.Reading
		_, err := t.Next(&x)
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if err != nil {
			return nil, err
		}
		rows = append(rows, x)
	}
}

// holds checks a trace against the readings that were accepted, so many of which had come
// when the pull began. Of an interrupted pull the last second may be gone.
func (r *life) holds(e peak.PullEnded, rows []peak.Reading, n int) {
	newest, begin := r.accepted[n-1].At, 0
	for newest-r.accepted[begin].At > preroll {
		begin++
	}
	all := r.accepted[begin:]
	if len(rows) > len(all) {
		r.world.fail("the trace of pull %d has %d readings, %d were accepted", e.Pull, len(rows), len(all))
		return
	}
	for i, x := range rows {
		y := all[i]
		if y.At -= all[0].At; x != y {
			r.world.fail("pull %d, row %d of the trace is %+v, accepted was %+v", e.Pull, i, x, y)
			return
		}
	}
	if !slices.Contains(e.Reasons, peak.Interrupted) || len(rows) == 0 {
		return
	}
	if lost := all[len(all)-1].At - all[0].At - rows[len(rows)-1].At; lost > 1200*time.Millisecond && r.daemon.journal.Failed() == nil {
		r.world.fail("%v are missing at the end of the trace of pull %d", lost, e.Pull)
	}
}
