package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// Port is a byte line that can be tapped: a serial port or a socket.
type Port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadDeadline(t time.Time) error
	Close() error
}

// Limits bound a recording; at the first of them it ends.
type Limits struct {
	Bytes int64         // of text; 0 means 16 MiB
	For   time.Duration // 0 means 10 minutes
}

const (
	defaultBytes = 16 << 20
	defaultFor   = 10 * time.Minute
	// queued is how many events may wait for a slow writer. Then they are
	// dropped, which the recording says, rather than hold up the line.
	queued = 1024
)

// ErrRecording says that a recording is going on already.
var ErrRecording = errors.New("recording already")

// Tap records what goes over a line while it is polled, across reopening. It may
// be switched from any goroutine.
type Tap struct {
	name string
	on   atomic.Pointer[recorder] // nil while nothing is recorded
}

// NewTap returns a tap for the line of that name, switched off.
func NewTap(name string) *Tap { return &Tap{name: name} }

// Wrap returns a port that does as p does and is tapped.
func (t *Tap) Wrap(p Port) Port { return &tapped{p, t} }

// Recording says whether a recording is going on.
func (t *Tap) Recording() bool { return t.on.Load() != nil }

// Start begins to write a recording to w, one Write a text line, so that a file
// without a buffer of its own holds all but the last event when the process is
// killed. The channel brings the end: nil when it was stopped or a limit was
// reached, else the error of w. Until then w is in use. A w that fails or hangs
// does nothing to the line.
func (t *Tap) Start(w io.Writer, limits Limits) (<-chan error, error) {
	if limits.Bytes <= 0 {
		limits.Bytes = defaultBytes
	}
	if limits.For <= 0 {
		limits.For = defaultFor
	}
	r := &recorder{
		name: t.name, started: time.Now(), limits: limits, w: w,
		events: make(chan Event, queued), stop: make(chan struct{}),
	}
	if !t.on.CompareAndSwap(nil, r) {
		return nil, ErrRecording
	}
	ended := make(chan error, 1)
	go func() {
		err := r.run()
		t.on.CompareAndSwap(r, nil)
		ended <- err
		close(ended)
	}()
	return ended, nil
}

// Stop ends the recording, if any. What was noted before is still written.
func (t *Tap) Stop() {
	if r := t.on.Swap(nil); r != nil {
		close(r.stop)
	}
}

func (t *Tap) note(d Direction, b []byte) {
	if r := t.on.Load(); r != nil && len(b) > 0 {
		r.note(d, b)
	}
}

// tapped is a port under a tap.
type tapped struct {
	Port
	tap *Tap
}

func (p *tapped) Read(b []byte) (int, error) {
	n, err := p.Port.Read(b)
	p.tap.note(Received, b[:max(n, 0)])
	return n, err
}

// Write notes the bytes first, so that an answer is never noted before its
// request.
func (p *tapped) Write(b []byte) (int, error) {
	p.tap.note(Sent, b)
	return p.Port.Write(b)
}

// SetWriteDeadline bounds writes if the port can, else does nothing.
func (p *tapped) SetWriteDeadline(t time.Time) error {
	if bounded, ok := p.Port.(interface{ SetWriteDeadline(time.Time) error }); ok {
		return bounded.SetWriteDeadline(t)
	}
	return nil
}

// recorder is one recording. Its fields belong to run, but for those that say
// otherwise.
type recorder struct {
	name    string
	started time.Time // never changes
	limits  Limits
	w       io.Writer
	written int64
	text    []byte

	stop   chan struct{} // closed by Tap.Stop
	events chan Event    // sent to under mu

	mu      sync.Mutex // keeps the events in the order of their times
	dropped int        // guarded by mu
}

// note never waits.
func (r *recorder) note(d Direction, b []byte) {
	e := Event{Direction: d, Bytes: bytes.Clone(b)}
	r.mu.Lock()
	defer r.mu.Unlock()
	e.Elapsed = time.Since(r.started)
	select {
	case r.events <- e:
	default:
		r.dropped++
	}
}

// errFull says that the limit of bytes is reached.
var errFull = errors.New("limit of bytes reached")

func (r *recorder) run() error {
	err := r.follow()
	if errors.Is(err, errFull) {
		return nil
	}
	return err
}

func (r *recorder) follow() error {
	if err := r.write(appendHeader(nil, r.name, r.started)); err != nil {
		return err
	}
	over := time.NewTimer(r.limits.For)
	defer over.Stop()
	for {
		select {
		case e := <-r.events:
			if err := r.event(e); err != nil {
				return err
			}
		case <-over.C:
			return r.rest()
		case <-r.stop:
			return r.rest()
		}
	}
}

// rest writes what had been noted when the recording ended.
func (r *recorder) rest() error {
	for range len(r.events) {
		if err := r.event(<-r.events); err != nil {
			return err
		}
	}
	return nil
}

// event writes an event, in parts if it is long.
func (r *recorder) event(e Event) error {
	if err := r.sayDropped(); err != nil {
		return err
	}
	for rest := e.Bytes; len(rest) > 0; {
		n := min(len(rest), eventBytes)
		e.Bytes, rest = rest[:n], rest[n:]
		r.text = appendEvent(r.text[:0], e)
		if err := r.write(r.text); err != nil {
			return err
		}
	}
	return nil
}

func (r *recorder) sayDropped() error {
	r.mu.Lock()
	dropped := r.dropped
	r.dropped = 0
	r.mu.Unlock()
	if dropped == 0 {
		return nil
	}
	return r.write(fmt.Appendf(nil, "# %d events are missing hereabouts: writing was too slow\n", dropped))
}

func (r *recorder) write(text []byte) error {
	if r.written+int64(len(text)) > r.limits.Bytes {
		return errFull
	}
	n, err := r.w.Write(text)
	r.written += int64(n)
	if err != nil {
		return fmt.Errorf("write recording: %w", err)
	}
	return nil
}
