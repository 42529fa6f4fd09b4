package main

import (
	"flag"
	"maps"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"testing/synctest"
	"time"
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
		for kind, n := range w.seen.count {
			seen[kind] += n
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
