package bench

import (
	"io"
	"net"
	"os"
	"sync"
	"time"
)

// pipeDepth is how many unread bytes an [End] holds.
const pipeDepth = 64 << 10

// End is one end of a line in memory. Unlike [net.Pipe] it has a buffer, as a
// UART and its driver have: writing never waits, bytes that nobody reads stay,
// and those that find the buffer full are lost. It is a [net.Conn], and its
// deadlines run on the time of package time, so it works in testing/synctest.
type End struct {
	in, out *pipeBuffer
}

// Pipe returns the two ends of a line in memory.
func Pipe() (*End, *End) {
	a, b := newPipeBuffer(), newPipeBuffer()
	return &End{in: a, out: b}, &End{in: b, out: a}
}

// Read waits for bytes until the read deadline ([os.ErrDeadlineExceeded]), the
// own Close ([net.ErrClosed]) or, when all is read, the other end's ([io.EOF]).
func (e *End) Read(p []byte) (int, error) { return e.in.read(p) }

// Write puts bytes into the other end's buffer. It fails only when an end is
// closed.
func (e *End) Write(p []byte) (int, error) { return e.out.write(p) }

// Close closes this end; the other one then reads what is left and io.EOF.
func (e *End) Close() error {
	e.in.abandon()
	e.out.finish()
	return nil
}

// ResetInputBuffer throws away what has arrived and not been read.
func (e *End) ResetInputBuffer() error {
	e.in.mu.Lock()
	defer e.in.mu.Unlock()
	e.in.bytes = nil
	return nil
}

// SetReadDeadline ends a Read that waits until then; the zero time is never.
func (e *End) SetReadDeadline(t time.Time) error {
	e.in.setDeadline(t)
	return nil
}

// SetWriteDeadline does nothing: a Write never waits.
func (e *End) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline is SetReadDeadline.
func (e *End) SetDeadline(t time.Time) error { return e.SetReadDeadline(t) }

// LocalAddr is the same for every line in memory.
func (e *End) LocalAddr() net.Addr { return memoryAddr{} }

// RemoteAddr is the same for every line in memory.
func (e *End) RemoteAddr() net.Addr { return memoryAddr{} }

type memoryAddr struct{}

func (memoryAddr) Network() string { return "memory" }
func (memoryAddr) String() string  { return "memory" }

// pipeBuffer carries bytes one way.
type pipeBuffer struct {
	mu        sync.Mutex
	changed   *sync.Cond
	bytes     []byte
	finished  bool // nothing more will be written
	abandoned bool // nothing more will be read
	deadline  time.Time
	alarm     *time.Timer
}

func newPipeBuffer() *pipeBuffer {
	b := &pipeBuffer{}
	b.changed = sync.NewCond(&b.mu)
	return b
}

func (b *pipeBuffer) read(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for {
		switch {
		case b.abandoned:
			return 0, net.ErrClosed
		case !b.deadline.IsZero() && !time.Now().Before(b.deadline):
			return 0, os.ErrDeadlineExceeded
		case len(b.bytes) > 0 || len(p) == 0:
			n := copy(p, b.bytes)
			b.bytes = b.bytes[n:]
			return n, nil
		case b.finished:
			return 0, io.EOF
		}
		b.changed.Wait()
	}
}

func (b *pipeBuffer) write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.finished {
		return 0, net.ErrClosed
	}
	if b.abandoned {
		return 0, io.ErrClosedPipe
	}
	room := min(len(p), pipeDepth-len(b.bytes))
	b.bytes = append(b.bytes, p[:room]...)
	b.changed.Broadcast()
	return len(p), nil
}

func (b *pipeBuffer) abandon() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.abandoned = true
	if b.alarm != nil {
		b.alarm.Stop()
	}
	b.changed.Broadcast()
}

func (b *pipeBuffer) finish() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.finished = true
	b.changed.Broadcast()
}

func (b *pipeBuffer) setDeadline(t time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.deadline = t
	if b.alarm != nil {
		b.alarm.Stop()
	}
	if !t.IsZero() && !b.abandoned {
		b.alarm = time.AfterFunc(time.Until(t), b.wake)
	}
	b.changed.Broadcast()
}

// wake takes the lock so that it cannot fall between a reader's look at the
// deadline and its Wait.
func (b *pipeBuffer) wake() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.changed.Broadcast()
}
