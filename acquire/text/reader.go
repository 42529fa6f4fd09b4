package text

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"time"
)

// Port is a connection to an indicator. Its Read reads at least one byte or
// fails; when the deadline passes first, with os.ErrDeadlineExceeded.
type Port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadDeadline(t time.Time) error
	Close() error
}

const (
	// settle is for how long everything is dropped at first: a serial device
	// server may deliver what it has kept since its last client left.
	settle = 100 * time.Millisecond
	// away is how long a reader may stay away from a line that prints
	// continuously. What has come in a longer time is of unknown age.
	away = 25 * time.Millisecond
	// sweep is how long dropping what lies in the buffers takes.
	sweep = time.Millisecond
	// look is a deadline that only lets a read take what is there. One in the
	// past would not read at all.
	look = 100 * time.Microsecond
)

// errLate refuses a line that was read after its deadline. A process that stood still
// finds what came meanwhile, and the time of reading would make it look fresh.
var errLate = fmt.Errorf("%w: the line was read too late", os.ErrDeadlineExceeded)

// Answer is a value with its times.
type Answer struct {
	Value
	Asked    time.Time // when the request went out, or the waiting began
	Answered time.Time // when the last byte of the line arrived
}

// Reader reads the lines of one port. It belongs to one goroutine.
type Reader struct {
	port  Port
	worst time.Duration
	split splitter
	buf   [512]byte

	started  bool      // settle has passed
	lastRead time.Time // when the port was read last
	mute     time.Time // a line until then may be the late answer to a failed request
	// unanswered counts the requests in a row that nothing answered.
	unanswered int
	rest       []byte // what came with the answer's last byte
}

// NewReader reads from port. Each of the terminators ends a line, and so does
// ETX; none means [DefaultTerminators]. worst is the longest time after which an
// instrument may still answer a request; after a failed one nothing is sent before
// it is over.
func NewReader(port Port, terminators string, worst time.Duration) *Reader {
	if terminators == "" {
		terminators = DefaultTerminators
	}
	return &Reader{port: port, worst: worst, split: splitter{ends: terminators}}
}

// Next waits for the next line of an indicator that prints continuously and
// returns the newest one when several come at once. No line within timeout is
// os.ErrDeadlineExceeded. Errors of the port are returned as they are.
//
// A line that came while nobody was reading is never used: its stamp would make
// it look fresh.
func (r *Reader) Next(f *Format, timeout time.Duration) (Answer, error) {
	if err := r.catchUp(); err != nil {
		return Answer{}, err
	}
	asked := time.Now()
	line, at, err := r.newest(asked.Add(timeout))
	a := Answer{Asked: asked, Answered: at}
	if err == nil && at.After(asked.Add(timeout)) {
		r.lastRead = time.Time{} // what else is there is no younger
		err = errLate
	}
	if err == nil {
		a.Value, err = f.Parse(line)
	}
	return a, err
}

// catchUp drops what came while nobody was reading.
func (r *Reader) catchUp() error {
	pause := sweep
	switch {
	case !r.started:
		pause = settle
	case time.Since(r.lastRead) <= away:
		return nil
	}
	if err := r.drop(time.Now().Add(pause)); err != nil {
		return err
	}
	r.started = true
	r.split.begin(false)
	return nil
}

// newest returns the last line of the first bytes that complete one.
func (r *Reader) newest(deadline time.Time) (line []byte, at time.Time, err error) {
	found := nothing
	for {
		n, err := r.read(deadline)
		if err != nil && (found == nothing || !errors.Is(err, os.ErrDeadlineExceeded)) {
			return nil, r.lastRead, err
		}
		for _, c := range r.buf[:n] {
			if p := r.split.push(c); p != nothing {
				found, at, line = p, r.lastRead, append(line[:0], r.split.line...)
			}
		}
		if found == nothing {
			continue
		}
		if n < len(r.buf) {
			return line, at, judge(found)
		}
		deadline = time.Now().Add(sweep) // the buffer was full: there may be a newer line
	}
}

func judge(p part) error {
	if p == tooLong {
		return fmt.Errorf("%w: %d bytes without an end of line", ErrGarbled, maxLine)
	}
	return nil
}

// Ask sends a request and waits for its line. No line within timeout is
// os.ErrDeadlineExceeded. Errors of the port are returned as they are.
//
// After a timeout or a garbled line the line stays silent until the failed
// request can no longer be answered, and what comes until then is dropped, so that
// an answer is never taken for that to a later request. An adapter that echoes the
// request is allowed for.
//
// A line that hung may answer later than that. So the first line after a request
// that nothing answered counts if no other follows within timeout; else, and after
// two such requests, it is dropped with what follows it, and the request is sent
// once more.
func (r *Reader) Ask(request []byte, f *Format, timeout time.Duration) (Answer, error) {
	a, err := r.askOnce(request, f, timeout)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		r.unanswered++
		return a, err
	}
	if a.Answered.IsZero() || r.unanswered == 0 {
		return a, err
	}
	doubtful := r.unanswered > 1
	if !doubtful {
		another, portErr := r.another(time.Now().Add(timeout))
		if portErr != nil {
			return a, portErr
		}
		doubtful = another
	}
	r.unanswered = min(r.unanswered, 2) - 1
	if !doubtful {
		return a, err
	}
	r.mute = time.Now().Add(r.worst)
	return r.Ask(request, f, timeout)
}

func (r *Reader) askOnce(request []byte, f *Format, timeout time.Duration) (Answer, error) {
	if err := r.clear(); err != nil {
		return Answer{}, err
	}
	asked := time.Now()
	if _, err := r.port.Write(request); err != nil {
		return Answer{Asked: asked}, err
	}
	line, at, err := r.answer(request, asked.Add(timeout))
	a := Answer{Asked: asked, Answered: at}
	if err == nil && at.After(asked.Add(timeout)) {
		err = errLate
	}
	if err == nil {
		a.Value, err = f.Parse(line)
	}
	if errors.Is(err, ErrGarbled) || errors.Is(err, os.ErrDeadlineExceeded) {
		r.mute = asked.Add(r.worst)
	}
	return a, err
}

// another says whether one more line ends before the given moment.
func (r *Reader) another(until time.Time) (bool, error) {
	for {
		for _, c := range r.rest {
			if r.split.push(c) != nothing {
				return true, nil
			}
		}
		n, err := r.read(until)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		r.rest = r.buf[:n]
	}
}

// clear drops what came before the request, after a failed one until no late
// answer can come, and begins a line.
func (r *Reader) clear() error {
	until := time.Now().Add(look)
	if until.Before(r.mute) {
		until = r.mute
	}
	if err := r.drop(until); err != nil {
		return err
	}
	r.split.begin(true)
	return nil
}

// answer returns the first line that is not the request's echo.
func (r *Reader) answer(request []byte, deadline time.Time) (line []byte, at time.Time, err error) {
	echo := bytes.Trim(request, "\r\n\x02\x03")
	for {
		n, err := r.read(deadline)
		if err != nil {
			return nil, r.lastRead, err
		}
		for i, c := range r.buf[:n] {
			r.rest = r.buf[i+1 : n]
			switch p := r.split.push(c); {
			case p == nothing:
			case p == wholeLine && len(echo) > 0 && bytes.Equal(r.split.line, echo):
				echo = nil
			default:
				return r.split.line, r.lastRead, judge(p)
			}
		}
	}
}

// drop reads and forgets until the given moment.
func (r *Reader) drop(until time.Time) error {
	for {
		_, err := r.read(until)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func (r *Reader) read(deadline time.Time) (int, error) {
	if err := r.port.SetReadDeadline(deadline); err != nil {
		return 0, err
	}
	n, err := r.port.Read(r.buf[:])
	r.lastRead = time.Now()
	return n, err
}
