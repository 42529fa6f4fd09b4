package capture

import (
	"bytes"
	"errors"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// loop is a port that brings back what is written to it.
type loop struct {
	mu      sync.Mutex
	waiting []byte
}

func (l *loop) Read(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.waiting) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(b, l.waiting)
	l.waiting = l.waiting[n:]
	return n, nil
}

func (l *loop) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.waiting = append(l.waiting, b...)
	return len(b), nil
}

func (*loop) SetReadDeadline(time.Time) error { return nil }
func (*loop) Close() error                    { return nil }

// exchange sends b through p and takes it back.
func exchange(t *testing.T, p Port, b []byte) {
	t.Helper()
	if _, err := p.Write(b); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, len(b)+1)
	if n, err := p.Read(got); err != nil || !bytes.Equal(got[:n], b) {
		t.Fatalf("took % x, %v, want % x", got[:n], err, b)
	}
}

func start(t *testing.T, tap *Tap, w io.Writer, limits Limits) <-chan error {
	t.Helper()
	ended, err := tap.Start(w, limits)
	if err != nil {
		t.Fatal(err)
	}
	return ended
}

func parsed(t *testing.T, text string) Recording {
	t.Helper()
	r, err := Parse(strings.NewReader(text))
	if err != nil {
		t.Fatalf("%v in %q", err, text)
	}
	return r
}

// Only what goes over the line while the tap is on is recorded, with its times,
// and twice if it is switched twice.
func TestTapIsSwitched(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tap := NewTap("dock")
		p := tap.Wrap(&loop{})
		exchange(t, p, []byte("before"))
		for range 2 {
			var text strings.Builder
			began := time.Now()
			ended := start(t, tap, &text, Limits{})
			if _, err := tap.Start(io.Discard, Limits{}); !errors.Is(err, ErrRecording) {
				t.Errorf("a second start gave %v", err)
			}
			time.Sleep(1500 * time.Millisecond)
			exchange(t, p, []byte{1, 2})
			time.Sleep(7 * time.Nanosecond)
			exchange(t, tap.Wrap(&loop{}), []byte{3}) // the line was opened again
			tap.Stop()
			exchange(t, p, []byte("after"))
			if err := <-ended; err != nil || tap.Recording() {
				t.Errorf("ended with %v, recording %v", err, tap.Recording())
			}
			want := "# line dock\n# started " + began.UTC().Format(time.RFC3339Nano) + "\n" +
				"1.500000000 tx 0102\n1.500000000 rx 0102\n1.500000007 tx 03\n1.500000007 rx 03\n"
			if text.String() != want {
				t.Errorf("recorded %q, want %q", text.String(), want)
			}
		}
		tap.Stop()
	})
}

func TestTapEndsByTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tap := NewTap("dock")
		p := tap.Wrap(&loop{})
		var text strings.Builder
		ended := start(t, tap, &text, Limits{For: time.Minute})
		time.Sleep(time.Second / 2) // so that no exchange is at the end itself
		for range 90 {
			exchange(t, p, []byte{9})
			time.Sleep(time.Second)
		}
		if err := <-ended; err != nil || tap.Recording() {
			t.Errorf("ended with %v, recording %v", err, tap.Recording())
		}
		if n := len(parsed(t, text.String()).Events); n != 2*60 {
			t.Errorf("%d events in a minute", n)
		}
	})
}

func TestTapEndsByBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tap := NewTap("dock")
		p := tap.Wrap(&loop{})
		var text strings.Builder
		ended := start(t, tap, &text, Limits{Bytes: 2000})
		for range 100 {
			exchange(t, p, []byte{9, 8, 7})
			synctest.Wait()
		}
		if err := <-ended; err != nil || tap.Recording() {
			t.Errorf("ended with %v, recording %v", err, tap.Recording())
		}
		if n := text.Len(); n > 2000 || n < 1950 || parsed(t, text.String()).Cut {
			t.Errorf("%d bytes", n)
		}
	})
}

// Bytes that one read brings are split when they are many.
func TestTapSplitsLongEvents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tap := NewTap("dock")
		var text strings.Builder
		ended := start(t, tap, &text, Limits{})
		long := bytes.Repeat([]byte{1, 2, 3}, 500)
		exchange(t, tap.Wrap(&loop{}), long)
		tap.Stop()
		<-ended
		var sent []byte
		for _, e := range parsed(t, text.String()).Events {
			if e.Direction == Sent {
				sent = append(sent, e.Bytes...)
			}
		}
		if !bytes.Equal(sent, long) {
			t.Errorf("%d bytes recorded of %d", len(sent), len(long))
		}
	})
}

type failing struct{ after int }

func (f *failing) Write(b []byte) (int, error) {
	f.after--
	if f.after < 0 {
		return 0, io.ErrShortWrite
	}
	return len(b), nil
}

func TestFailedWriterEndsOnlyTheRecording(t *testing.T) {
	for after := range 4 {
		synctest.Test(t, func(t *testing.T) {
			tap := NewTap("dock")
			p := tap.Wrap(&loop{})
			ended := start(t, tap, &failing{after}, Limits{})
			for range 5 {
				exchange(t, p, []byte{1})
				synctest.Wait()
			}
			if err := <-ended; !errors.Is(err, io.ErrShortWrite) || tap.Recording() {
				t.Errorf("ended with %v, recording %v", err, tap.Recording())
			}
			exchange(t, p, []byte{2})
		})
	}
}

// hanging takes no more after some writes until it is let go.
type hanging struct {
	bytes.Buffer
	free  int
	letGo chan struct{}
}

func (h *hanging) Write(b []byte) (int, error) {
	if h.free--; h.free < 0 {
		<-h.letGo
	}
	return h.Buffer.Write(b)
}

// While the writer hangs the line goes on; what was dropped is said.
func TestHangingWriterDoesNotHoldUpTheLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tap := NewTap("dock")
		p := tap.Wrap(&loop{})
		w := &hanging{free: 5, letGo: make(chan struct{})}
		ended := start(t, tap, w, Limits{})
		began := time.Now()
		const exchanges = queued
		for range exchanges {
			exchange(t, p, []byte{1})
		}
		synctest.Wait()
		if took := time.Since(began); took != 0 {
			t.Errorf("the line took %v", took)
		}
		close(w.letGo)
		synctest.Wait()
		exchange(t, p, []byte{2})
		tap.Stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		text := w.String()
		if !strings.Contains(text, "events are missing hereabouts") || !strings.Contains(text, " rx 02\n") {
			t.Errorf("recorded %q", text[max(0, len(text)-300):])
		}
		if n := len(parsed(t, text).Events); n < queued || n >= 2*exchanges {
			t.Errorf("%d events", n)
		}
	})
}

// Stopping while the writer hangs does not wait for it, and the tap can be
// switched on again.
func TestStopDoesNotWaitForTheWriter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tap := NewTap("dock")
		w := &hanging{letGo: make(chan struct{})}
		ended := start(t, tap, w, Limits{})
		tap.Stop()
		var text strings.Builder
		again := start(t, tap, &text, Limits{})
		exchange(t, tap.Wrap(&loop{}), []byte{5})
		tap.Stop()
		if err := <-again; err != nil || len(parsed(t, text.String()).Events) != 2 {
			t.Errorf("%q, %v", text.String(), err)
		}
		close(w.letGo)
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// Switching while others use the line must be clean under the race detector.
func TestTapWhilePolling(t *testing.T) {
	tap := NewTap("dock")
	var line sync.WaitGroup
	stop := make(chan struct{})
	line.Go(func() {
		p := tap.Wrap(&loop{})
		for {
			select {
			case <-stop:
				return
			default:
				exchange(t, p, []byte{1, 2, 3})
			}
		}
	})
	for range 50 {
		var text bytes.Buffer
		ended := start(t, tap, &text, Limits{Bytes: 1 << 16})
		exchange(t, tap.Wrap(&loop{}), []byte{7})
		tap.Stop()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		parsed(t, text.String())
	}
	close(stop)
	line.Wait()
}

// BenchmarkTapOff is what a tap costs that is switched off.
func BenchmarkTapOff(b *testing.B) {
	p := NewTap("dock").Wrap(nopPort{})
	buf := make([]byte, 8)
	b.ReportAllocs()
	for b.Loop() {
		_, _ = p.Write(buf)
		_, _ = p.Read(buf)
	}
}

type nopPort struct{}

func (nopPort) Read(b []byte) (int, error)      { return len(b), nil }
func (nopPort) Write(b []byte) (int, error)     { return len(b), nil }
func (nopPort) SetReadDeadline(time.Time) error { return nil }
func (nopPort) Close() error                    { return nil }
