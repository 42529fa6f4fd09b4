//go:build linux

package acquire_test

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"thimbled/acquire"
	"thimbled/acquire/modbus"
	"thimbled/peak"
)

var (
	proxySeed   = flag.Uint64("seed", 1, "seed of the faults that a proxy plays")
	proxyFrames = flag.Int("frames", 3000, "answers that pass through the proxies")
)

// TestProxiedFrames polls servers on libmodbus through proxies that do to frames what
// lines do at their worst, over terminals and sockets of the operating system. Each request finds a
// value that was never shown before, so a late, repeated, foreign or damaged answer
// that is accepted is known for what it is. None may be.
func TestProxiedFrames(t *testing.T) {
	t.Parallel()
	program := buildPeer(t)
	lines := 12
	if *proxyFrames > 30000 {
		lines = 42
	}
	t.Logf("seed %d, %d frames over %d lines", *proxySeed, *proxyFrames, lines)
	start := time.Now()
	all := make([]*outcomes, lines)
	var running sync.WaitGroup
	for i := range all {
		kind := []acquire.Kind{acquire.RTU, acquire.TCP, acquire.RTUOverTCP}[i%3]
		p := newProxy(t, program, kind, timing{30 * ms, 90 * ms}, *proxySeed, uint64(i))
		p.faults = faultsOf(kind)
		all[i] = newOutcomes(t, p)
		running.Go(func() { all[i].poll((*proxyFrames + lines - 1) / lines) })
	}
	running.Wait()
	report(t, all, time.Since(start))
}

// poll polls one line until so many frames came through.
func (o *outcomes) poll(frames int) {
	ctx, cancel := context.WithTimeout(o.t.Context(), time.Hour)
	defer cancel()
	place, stop := o.p.start(o.t)
	err := acquire.Poll(ctx, o.p.line(place), time.Now(), func(s acquire.Sample) {
		o.see(s)
		if o.p.hasPassed() >= frames {
			cancel()
		}
	})
	stop()
	o.judge()
	o.p.mu.Lock()
	defer o.p.mu.Unlock()
	if err != nil || len(o.p.errs) > 0 {
		o.t.Errorf("%s: %v, proxy: %v", o.p.kind, err, o.p.errs)
	}
}

// report checks that every fault was played and good readings came through, and tells the
// figures.
func report(t *testing.T, all []*outcomes, took time.Duration) {
	var text strings.Builder
	total := 0
	for _, kind := range []acquire.Kind{acquire.RTU, acquire.TCP, acquire.RTUOverTCP} {
		frames, kept, made := map[string]int{}, map[string]int{}, map[string]map[peak.Quality]int{}
		good, wrong, overdue, sum := 0, 0, 0, 0
		from := map[string]int{}
		for _, o := range all {
			if o.p.kind != kind {
				continue
			}
			add(frames, o.p.frames)
			add(kept, o.p.kept)
			add(from, o.goodFrom)
			for fault, qualities := range o.made {
				if made[fault] == nil {
					made[fault] = map[peak.Quality]int{}
				}
				add(made[fault], qualities)
			}
			good, wrong, overdue = good+o.good, wrong+o.wrong, overdue+o.overdue
		}
		for _, n := range frames {
			sum += n
		}
		total += sum
		fmt.Fprintf(&text, "%s: %d frames, %d good readings %v, %d wrong accepted, %d that came too late for a serial line; not sent: %v\n",
			kind, sum, good, from, wrong, overdue, kept)
		for _, fault := range slices.Sorted(maps.Keys(made)) {
			fmt.Fprintf(&text, "  %-50s %7d frames: %v\n", fault, frames[fault], made[fault])
		}
		if good < sum/10 || from["load"] == 0 || from["pressure"] == 0 {
			t.Errorf("%s: only %d good readings of %d frames", kind, good, sum)
		}
		for _, f := range faultsOf(kind) {
			if frames[f.name] == 0 && f.rare == 0 {
				t.Errorf("%s: fault was never played: %s", kind, f.name)
			}
		}
	}
	t.Logf("%d frames in %v\n%s", total, took.Round(ms), &text)
}

func add[K comparable](sums, more map[K]int) {
	for k, n := range more {
		sums[k] += n
	}
}

// The judges of damage must know a mistakable frame when they see one.
func TestMistakable(t *testing.T) {
	x := exchange{proxy: &proxy{kind: acquire.RTU}}
	x.answer = x.wrapPDU(peerUnit, []byte{byte(modbus.Input), 4, 1, 2, 3, 4})
	other := x.wrapPDU(peerUnit, []byte{byte(modbus.Input), 4, 1, 2, 3, 5})
	for what, c := range map[string]struct {
		pieces []piece
		want   bool
	}{
		"right":                {once(x.answer), false},
		"another value":        {once(other), true},
		"behind garbage":       {once([]byte{7, 4}, other), true},
		"in pieces":            {[]piece{{0, other[:3]}, {ms, other[3:]}}, true},
		"cut":                  {once(other[:len(other)-1]), false},
		"another unit":         {once(x.wrapPDU(peerUnit+1, []byte{byte(modbus.Input), 4, 1, 2, 3, 5})), false},
		"right behind garbage": {once([]byte{7, 4, 4}, x.answer), false},
	} {
		if got := x.mistakable(c.pieces); got != c.want {
			t.Errorf("%s: %v", what, got)
		}
	}
}

func TestMistakableStream(t *testing.T) {
	frame := func(transaction uint16, value byte) []byte {
		return modbus.AppendMBAP(nil, transaction, peerUnit, []byte{byte(modbus.Input), 4, 1, 2, 3, value})
	}
	right, next := frame(5, 4), frame(6, 8)
	for what, c := range map[string]struct {
		bring [][]byte
		want  []bool
	}{
		"right":                          {[][]byte{right}, []bool{true}},
		"right, in pieces":               {[][]byte{right[:3], right[3:12], right[12:]}, []bool{true, true, true}},
		"another value":                  {[][]byte{frame(5, 5), right}, []bool{false, true}},
		"of no request":                  {[][]byte{frame(7, 5), right}, []bool{true, true}},
		"the end made up":                {[][]byte{right[:12], {9}}, []bool{true, false}},
		"a byte doubled":                 {[][]byte{append(right[:10:10], right[9:]...)}, []bool{true}},
		"the end made up, seen":          {[][]byte{right[:12], next}, []bool{true, true}},
		"no frames any more":             {[][]byte{{1, 2, 3, 4, 5, 6}, frame(5, 5)}, []bool{true, true}},
		"another value, a frame behind":  {[][]byte{append(frame(5, 5), next...)}, []bool{false}},
		"another value, garbage follows": {[][]byte{append(frame(5, 5), "garbage"...)}, []bool{true}},
	} {
		s := newMBAPStream()
		s.right[5], s.right[6] = right, next
		for i, b := range c.bring {
			if got := s.bring(b); got != c.want[i] {
				t.Errorf("%s, piece %d: %v", what, i, got)
			}
		}
	}
}
