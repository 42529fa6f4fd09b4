package main

import (
	"context"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
)

var soaked = flag.Duration("soak", 72*time.Minute, "how `long` TestSoak lets the daemon run, in its own time; a month is 720h")

// soakSteps is how often the soak looks at what the daemon holds.
const soakSteps = 10

// holding is what a daemon holds after so long.
type holding struct {
	after                         time.Duration
	heap                          uint64 // bytes, once what is not used has gone
	goroutines, descriptors       int
	files                         int // besides segments, traces and shelves of the index
	records                       uint64
	pulls, passed, pages, scrapes int
}

// TestSoak lets a daemon run for hours or a month of its own time: it is polled, a pull
// is made of each of 200 items a day, pages come, stall and go, metrics are
// scraped. What it holds after the first tenth it may hold at the end:
//
//	go test ./cmd/thimbled -run TestSoak -v -soak 720h -timeout 3h
func TestSoak(t *testing.T) {
	freshTimers()
	defer freshTimers()
	dir := filepath.Join(t.TempDir(), "journal")
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		s := newSoak(t, dir)
		s.start()
		step := (*soaked / soakSteps).Truncate(soakEvery)
		var all []holding
		for range soakSteps {
			time.Sleep(step)
			synctest.Wait()
			h := s.look()
			h.after = time.Since(began)
			t.Logf("%7.1f h: heap %.2f MB, %d goroutines, %d descriptors, %d files; %d records, %d pulls, %d passed; %d pages came, %d scrapes; %v of a processor",
				h.after.Hours(), float64(h.heap)/1e6, h.goroutines, h.descriptors, h.files, h.records, h.pulls, h.passed, h.pages, h.scrapes, spent(t).Round(time.Second))
			all = append(all, h)
		}
		s.end()
		checkHeld(t, all[0], all[soakSteps/2-1], all[soakSteps-1])
		if want := int(soakSteps * step / soakEvery); all[soakSteps-1].passed != want {
			t.Errorf("%d of %d pulls passed", all[soakSteps-1].passed, want)
		}
	})
}

// checkHeld compares what was held early, half-way and at the end.
func checkHeld(t *testing.T, early, half, end holding) {
	t.Helper()
	for _, before := range []holding{early, half} {
		// The pools of the run time fill and empty by themselves, and the index keeps the last
		// tests, up to 4000, in memory.
		slack := 1<<20 + 2000*(min(end.pulls, 4000)-min(before.pulls, 4000))
		if end.heap > before.heap+uint64(slack) {
			t.Errorf("the heap grew from %d to %d bytes between %v and the end", before.heap, end.heap, before.after)
		}
	}
	// A page may just have come or gone.
	if end.goroutines > early.goroutines+soakPages {
		t.Errorf("goroutines grew from %d to %d", early.goroutines, end.goroutines)
	}
	const lagging = 4 // readers of the journal that keep a file open where they were
	if end.descriptors > early.descriptors+lagging {
		t.Errorf("descriptors grew from %d to %d", early.descriptors, end.descriptors)
	}
	if end.files > half.files { // the note of checked segments comes with the second one
		t.Errorf("files grew from %d to %d", half.files, end.files)
	}
}

// spent is the processor time of this process: the clock stands still here.
func spent(t *testing.T) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// look says what the daemon holds while nothing moves.
func (s *soak) look() (h holding) {
	s.forget()
	runtime.GC()
	runtime.GC() // what pools keep goes with the second
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	h.heap, h.goroutines, h.records = m.HeapAlloc, runtime.NumGoroutine(), s.daemon.journal.Last()
	open, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		s.t.Fatal(err)
	}
	h.descriptors = len(open)
	h.files = s.countFiles()
	h.pulls, h.passed, h.pages, h.scrapes = int(s.pulls.Load()), int(s.passed.Load()), int(s.came.Load()), int(s.scrapes.Load())
	return h
}

// countFiles counts the files that must not become more.
func (s *soak) countFiles() (n int) {
	err := filepath.WalkDir(filepath.Dir(s.dir), func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		grows := strings.HasSuffix(path, ".jsonl") || filepath.Base(filepath.Dir(path)) == "traces" || strings.HasSuffix(path, ".tests")
		if !e.IsDir() && !grows {
			n++
		}
		return nil
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return n
}

// forget drops what the world around the daemon remembers. Maps are made anew: they do
// not shrink.
func (s *soak) forget() {
	s.broker.mu.Lock()
	defer s.broker.mu.Unlock()
	for _, st := range s.broker.streams {
		st.stored = map[uint64]stored{st.last: st.stored[st.last]}
		st.ids = map[string]uint64{}
	}
	s.cable.mu.Lock()
	defer s.cable.mu.Unlock()
	s.cable.taken = map[peak.Force]time.Time{}
}

// end stops the daemon, which must have told the broker everything.
func (s *soak) end() {
	if n, known := s.daemon.records.Unpublished(); n != 0 || !known {
		s.t.Errorf("%d records are unpublished, known: %t", n, known)
	}
	s.cancel()
	if err := <-s.ended; err != nil {
		s.t.Errorf("the daemon ended with %v", err)
	}
	s.around.Wait()
	s.broker.drop()
	time.Sleep(time.Minute) // what was left behind comes to its end
}

func (s *soak) start() {
	ctx, cancel := context.WithCancel(context.Background())
	s.cancel, s.ended = cancel, make(chan error, 1)
	go func() { s.ended <- s.daemon.run(ctx, func() {}) }()
	s.around.Go(func() { s.operate(ctx) })
	s.around.Go(func() { s.follow(ctx) })
	for i := range soakPages {
		s.around.Go(func() { s.watch(ctx, i) })
	}
	s.around.Go(func() { s.scrape(ctx) })
}
