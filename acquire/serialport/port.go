package serialport

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// ErrGone says that the port is no longer there: the adapter was unplugged, or
// it takes no more bytes. Close the port, then open it again.
var ErrGone = errors.New("serial port is gone")

const (
	// slice is how long a call waits in the kernel before it looks at the
	// deadline and at Close again: the delay of a cancellation.
	slice = 20 * time.Millisecond
	// grace is for how long after its deadline a read still takes what is there,
	// without waiting: a deadline a few microseconds ahead asks for just that,
	// and may pass while the call is on its way.
	grace = time.Millisecond
	// brief is less than the kernel takes to put a thread to sleep and wake it
	// again, which on a busy computer can take milliseconds: for so little
	// a read looks again and again instead.
	brief = 20 * time.Microsecond
	// writeSlack is what a write may take beyond its time on the wire. The
	// driver's buffer takes a request at once, so this is a stuck port.
	writeSlack = time.Second
	// closeWithin is how long Close waits for the driver.
	closeWithin = 2 * time.Second
)

// Port is an open serial port. One goroutine may read while another writes;
// SetReadDeadline and Close may come from any.
//
// Reading, settings and flushing go through the library. Writing goes through
// our own descriptor on the same device, because the library's write has no
// deadline and is not even released by Close.
type Port struct {
	device  string
	baud    int
	latency Latency

	reading sync.Mutex // held while the library is used
	lib     serial.Port
	writing sync.Mutex // held while own is used
	own     int

	closing  atomic.Bool
	once     sync.Once
	closed   error // what the first Close said
	timing   sync.Mutex
	deadline time.Time // guarded by timing
}

// Read reads at least one byte. Its error is os.ErrDeadlineExceeded when the
// deadline passes first, os.ErrClosed after Close, else [ErrGone]. A deadline
// that passed more than a millisecond ago prevents reading even what is there.
func (p *Port) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	p.reading.Lock()
	defer p.reading.Unlock()
	for {
		if p.closing.Load() {
			return 0, os.ErrClosed
		}
		wait := p.readWait()
		if wait <= -grace {
			return 0, os.ErrDeadlineExceeded
		}
		sleep := wait
		if sleep < brief {
			sleep = 0
		}
		if n, err := p.readOnce(b, sleep); n > 0 || err != nil {
			return n, err
		}
		if wait <= 0 {
			return 0, os.ErrDeadlineExceeded
		}
	}
}

// readOnce waits for bytes; nothing read and no error means that the wait is
// over.
func (p *Port) readOnce(b []byte, wait time.Duration) (int, error) {
	if err := p.lib.SetReadTimeout(wait); err != nil {
		return 0, fmt.Errorf("set read timeout: %w", err)
	}
	n, err := p.lib.Read(b)
	if n > 0 || err == nil || errors.Is(err, unix.EINTR) {
		return n, nil
	}
	return 0, p.failure("read", err)
}

func (p *Port) readWait() time.Duration {
	p.timing.Lock()
	defer p.timing.Unlock()
	if p.deadline.IsZero() {
		return slice
	}
	return min(slice, time.Until(p.deadline))
}

// SetReadDeadline sets the moment after which Read gives up, also one that
// waits now, within 20 ms. The zero time means never.
func (p *Port) SetReadDeadline(t time.Time) error {
	if p.closing.Load() {
		return os.ErrClosed
	}
	p.timing.Lock()
	p.deadline = t
	p.timing.Unlock()
	return nil
}

// Write writes all of b. A port that does not take it within its time on the
// wire and one second is [ErrGone].
func (p *Port) Write(b []byte) (int, error) {
	p.writing.Lock()
	defer p.writing.Unlock()
	onWire := time.Duration(len(b)) * 12 * time.Second / time.Duration(p.baud) // 12 bits is the longest character
	until := time.Now().Add(onWire + writeSlack)
	for done := 0; ; {
		if p.closing.Load() {
			return done, os.ErrClosed
		}
		n, err := unix.Write(p.own, b[done:])
		done += max(n, 0)
		switch {
		case done == len(b):
			return done, nil
		case err != nil && !errors.Is(err, unix.EAGAIN) && !errors.Is(err, unix.EINTR):
			return done, p.failure("write", err)
		case time.Now().After(until):
			return done, fmt.Errorf("write: %w: it took %d of %d bytes", ErrGone, done, len(b))
		}
		p.awaitRoom()
	}
}

// awaitRoom waits until the driver's buffer has room, or a slice of time. Its
// errors show in the write that follows.
func (p *Port) awaitRoom() {
	_, _ = unix.Poll([]unix.PollFd{{Fd: int32(p.own), Events: unix.POLLOUT}}, int(slice/time.Millisecond))
}

// failure says what an error of the device means.
func (p *Port) failure(verb string, err error) error {
	if p.closing.Load() {
		return os.ErrClosed
	}
	var pe *serial.PortError
	gone := errors.Is(err, unix.EIO) || errors.Is(err, unix.ENXIO) || errors.Is(err, unix.ENODEV) || errors.Is(err, io.EOF) ||
		errors.As(err, &pe) && pe.Code() == serial.PortClosed
	if gone {
		return fmt.Errorf("%s: %w", verb, ErrGone)
	}
	return fmt.Errorf("%s: %w: %w", verb, ErrGone, err)
}

// ResetInputBuffer drops what has arrived and was not read.
func (p *Port) ResetInputBuffer() error {
	p.reading.Lock()
	defer p.reading.Unlock()
	if p.closing.Load() {
		return os.ErrClosed
	}
	if err := p.lib.ResetInputBuffer(); err != nil {
		return p.failure("reset input buffer", err)
	}
	return nil
}

// Close gives the port back, within two seconds even if the driver hangs; then
// its error says so and the device stays in use until the driver returns. Reads
// and writes that wait end with os.ErrClosed. Closing again does nothing, once the
// first Close is through.
func (p *Port) Close() error {
	p.once.Do(func() {
		p.closing.Store(true)
		done := make(chan error, 1)
		go func() { done <- p.release() }()
		select {
		case p.closed = <-done:
		case <-time.After(closeWithin):
			p.closed = fmt.Errorf("close %s: the driver does not let go of the port", p.device)
		}
	})
	return p.closed
}

// release closes both descriptors when nobody uses them any more: the library
// closes its own before it wakes its reader, which could by then be reading
// another file of the same number. What is still to be sent is dropped first,
// because the kernel would wait for it.
func (p *Port) release() error {
	p.reading.Lock()
	defer p.reading.Unlock()
	p.writing.Lock()
	defer p.writing.Unlock()
	_ = unix.IoctlSetInt(p.own, unix.TCFLSH, unix.TCIOFLUSH)
	err := p.lib.Close()
	if err2 := unix.Close(p.own); err == nil {
		err = err2
	}
	if err != nil {
		return fmt.Errorf("close %s: %w", p.device, err)
	}
	return nil
}
