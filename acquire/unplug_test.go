//go:build linux

package acquire_test

import (
	"context"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"thimbled/acquire"
	"thimbled/peak"
)

var unplugs = flag.Int("unplugs", 20, "times that a serial line is pulled out and put back")

// The ways to pull a line out while an answer is awaited or on its way.
var inFlight = []wireFault{
	{name: "pulled out before the answer", does: func(exchange) []piece { return []piece{{0, nil}} }},
	{name: "pulled out in mid-answer", does: func(x exchange) []piece { return append(once(x.answer[:4]), piece{0, nil}) }},
	{name: "pulled out behind the answer", does: func(x exchange) []piece { return append(once(x.answer), piece{0, nil}) }},
}

// plugged is a serial line whose terminal goes away and comes back under one name.
type plugged struct {
	o      *outcomes
	link   string
	near   *terminal
	ended  chan struct{} // closed when the proxy has done with near
	chance *rand.Rand
	inARow atomic.Int32 // good readings since it was put back
	good   chan struct{}

	mu       sync.Mutex
	out      time.Duration // since the start; 0 while it is plugged in
	whileOut map[peak.Quality]int
}

// TestUnplugged pulls serial lines out and puts them back, with a poll in flight or
// without. The poller must come back each time, say that the line is gone meanwhile and never
// give the last value again, and leave no descriptor, goroutine or memory behind.
func TestUnplugged(t *testing.T) {
	program, start := buildPeer(t), time.Now()
	all := make([]*plugged, min(10, max(5, *unplugs/20)))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var polling sync.WaitGroup
	for i := range all {
		all[i] = newPlugged(t, program, uint64(i))
		polling.Go(func() { all[i].poll(ctx, start) })
	}
	pull := func(times int) {
		var pulling sync.WaitGroup
		for _, l := range all {
			pulling.Go(func() { l.pull(start, times) })
		}
		pulling.Wait()
	}
	pull(2)
	before := takeStock()
	each := (*unplugs + len(all) - 1) / len(all)
	pull(each)
	after := settled(before)
	cancel()
	polling.Wait()
	pulls, good, whileOut := 0, 0, map[peak.Quality]int{}
	for _, l := range all {
		pulls, good = pulls+2+each, good+l.o.good
		add(whileOut, l.whileOut)
		l.finish()
	}
	t.Logf("seed %d: %d times pulled out in %v, %d good readings; while out: %v; before %+v, after %+v",
		*proxySeed, pulls, time.Since(start).Round(ms), good, whileOut, before, after)
	if after.descriptors > before.descriptors || after.goroutines > before.goroutines || after.heap > before.heap+heapSlack {
		t.Errorf("left behind: before %+v, after %+v", before, after)
	}
	if whileOut[peak.Disconnected] == 0 {
		t.Error("no reading told of a line that was out")
	}
}

func newPlugged(t *testing.T, program string, number uint64) *plugged {
	p := newProxy(t, program, acquire.RTU, timing{100 * ms, 100 * ms}, *proxySeed, number)
	p.patience = time.Minute
	l := &plugged{
		o: newOutcomes(t, p), link: filepath.Join(t.TempDir(), "rs485"), good: make(chan struct{}, 1),
		chance: rand.New(rand.NewPCG(*proxySeed, 100+number)), whileOut: map[peak.Quality]int{},
	}
	l.plugIn()
	return l
}

func (l *plugged) plugIn() {
	near, err := plugIn(l.link)
	if err != nil {
		l.o.t.Error(err)
		return
	}
	l.near, l.ended = near, make(chan struct{})
	go func(ended chan struct{}) { defer close(ended); l.o.p.serve(near, "") }(l.ended)
}

func (l *plugged) poll(ctx context.Context, start time.Time) {
	if err := acquire.Poll(ctx, l.o.p.line(l.link), start, l.see); err != nil {
		l.o.t.Error(err)
	}
}

func (l *plugged) see(s acquire.Sample) {
	l.o.see(s)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.out > 0 && s.Asked > l.out {
		l.whileOut[s.Quality]++
		if s.Quality != peak.Disconnected {
			l.o.t.Errorf("out since %v, and yet: %+v", l.out, s)
		}
	}
	switch s.Quality {
	case peak.Good:
		if l.inARow.Add(1) == 4 {
			l.good <- struct{}{}
		}
	case peak.Disconnected, peak.Timeout: // a computer that is too busy may miss an answer
	default:
		l.o.t.Errorf("a line that is pulled out brings no such thing: %+v", s)
	}
}

// pull pulls the line out and puts it back so many times, each time after good readings,
// and waits for good ones.
func (l *plugged) pull(start time.Time, times int) {
	for range times {
		if !l.awaitGood() {
			return
		}
		if way := l.chance.IntN(2 * len(inFlight)); way < len(inFlight) {
			l.o.p.plant(&inFlight[way])
			<-l.ended
		} else {
			time.Sleep(time.Duration(l.chance.Int64N(int64(5 * ms))))
		}
		l.near.unplug()
		<-l.ended
		l.setOut(time.Since(start))
		if l.chance.IntN(4) > 0 {
			time.Sleep(time.Duration(l.chance.Int64N(int64(250 * ms))))
		}
		l.setOut(0)
		l.inARow.Store(0)
		l.plugIn()
	}
	if l.awaitGood() {
		l.good <- struct{}{} // for the next time
	}
}

func (l *plugged) setOut(at time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.out = at
}

func (l *plugged) awaitGood() bool {
	select {
	case <-l.good:
		return true
	case <-time.After(time.Minute):
		l.o.t.Error("good readings did not come again")
		return false
	}
}

func (l *plugged) finish() {
	l.near.unplug()
	<-l.ended
	l.o.judge()
	if len(l.o.p.errs) > 0 {
		l.o.t.Error(l.o.p.errs)
	}
}

// heapSlack is what a heap may differ by from one moment to the next; a kilobyte lost a
// time comes to more over a thousand.
const heapSlack = 256 << 10

// stock is what a program holds.
type stock struct {
	descriptors, goroutines int
	heap                    uint64
}

func takeStock() stock {
	runtime.GC()
	runtime.GC() // what had a finalizer
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	entries, _ := os.ReadDir("/proc/self/fd")
	return stock{len(entries), runtime.NumGoroutine(), m.HeapAlloc}
}

// settled takes stock until it is down to what it was, or for five seconds: what was
// closed last takes a moment to go.
func settled(before stock) (now stock) {
	for until := time.Now().Add(5 * time.Second); time.Now().Before(until); time.Sleep(20 * ms) {
		now = takeStock()
		if now.descriptors <= before.descriptors && now.goroutines <= before.goroutines && now.heap <= before.heap+heapSlack {
			return now
		}
	}
	return now
}
