package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
	"time"
)

// writeBound is the longest that a write may be held up by a peer that does not
// take it; a request is a few bytes and the system buffers thousands.
const writeBound = time.Second

// longAgo is a deadline that has passed.
var longAgo = time.Unix(1, 0)

// wire is a Port with cancellation, sorted errors and counters.
type wire struct {
	port      Port
	bounded   writeDeadliner // nil when writes cannot be bounded
	armed     time.Time      // the read deadline that was set last
	interrupt func()
	counters  Counters
	ended     error // why nothing more can be read; nil while it can
}

func newWire(port Port) *wire {
	w := &wire{port: port}
	w.bounded, _ = port.(writeDeadliner)
	w.interrupt = func() { _ = port.SetReadDeadline(longAgo) }
	return w
}

func noStop() bool { return true }

// watch makes a blocked read return when ctx ends, until stop is called.
func (w *wire) watch(ctx context.Context) (stop func() bool) {
	if ctx.Done() == nil {
		return noStop
	}
	return context.AfterFunc(ctx, w.interrupt)
}

// read returns at least one byte, or 0 when none came before until. The error is
// that of ctx or one that ends the line.
func (w *wire) read(ctx context.Context, p []byte, until time.Time) (int, error) {
	for {
		if err := w.arm(ctx, until); err != nil {
			return 0, err
		}
		n, err := w.port.Read(p)
		switch {
		case n > 0:
			return n, nil
		case err == nil || errors.Is(err, os.ErrDeadlineExceeded):
			if !time.Now().Before(until) {
				return 0, ctx.Err()
			}
			// The interrupt of a context that has ended meanwhile, or of the
			// one before, moved the deadline.
			w.armed = time.Time{}
		case errors.Is(err, syscall.EINTR):
		default:
			return 0, w.gone(err)
		}
	}
}

// arm sets the read deadline unless it is set already. It looks at ctx last: an
// interrupt before the look is seen here, one after it moves the new deadline.
func (w *wire) arm(ctx context.Context, until time.Time) error {
	if until != w.armed {
		if err := w.port.SetReadDeadline(until); err != nil {
			return w.gone(err)
		}
		w.armed = until
	}
	return ctx.Err()
}

// inTime refuses an answer that was read after its deadline. A process that stood still
// finds what came meanwhile, and the time of reading would make it look fresh.
func inTime(a asked, at Stamps, deadline time.Time) error {
	if !at.Answered.After(deadline) {
		return nil
	}
	return fmt.Errorf("%w within %v: what was there was read %v after the request", ErrTimeout, a.timeout, at.Answered.Sub(at.Asked))
}

func (w *wire) write(frame []byte) error {
	if w.bounded != nil {
		if err := w.bounded.SetWriteDeadline(time.Now().Add(writeBound)); err != nil {
			return w.gone(err)
		}
	}
	n, err := w.port.Write(frame)
	for n == 0 && errors.Is(err, syscall.EINTR) {
		n, err = w.port.Write(frame)
	}
	if err == nil && n < len(frame) {
		err = io.ErrShortWrite
	}
	if err != nil {
		return w.gone(err)
	}
	w.counters.Requests++
	return nil
}

// gone ends the line. Whatever a port says other than that time has passed
// (EIO, ENXIO, ENODEV, end of file, reset, closed) means that it must be opened
// again.
func (w *wire) gone(err error) error { return w.end(fmt.Errorf("%w: %w", ErrGone, err)) }

// broken ends the line because its frames cannot be told apart any more.
func (w *wire) broken(err error) error { return w.end(fmt.Errorf("%w: %w", ErrBroken, err)) }

// end keeps the first reason.
func (w *wire) end(err error) error {
	if w.ended == nil {
		w.ended = err
	}
	return err
}

func (w *wire) count(err error) {
	switch {
	case errors.Is(err, ErrGarbled):
		w.counters.Garbled++
	case errors.Is(err, ErrTimeout):
		w.counters.Timeouts++
	}
}
