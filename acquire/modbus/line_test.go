package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"os"
	"sync"
	"testing"
	"time"
)

// piece is part of what a slave sends, some time after the request.
type piece struct {
	after time.Duration
	bytes []byte
}

// line is a byte line with a buffer, as a UART and a socket have one: what
// comes while nobody reads waits. (A pipe without a buffer hides late answers.)
// A slave at the far end decides what each written frame brings.
type line struct {
	slave func(frame []byte) []piece

	mu       sync.Mutex
	waiting  []byte
	deadline time.Time
	failure  error         // what Read gives once waiting is empty
	changed  chan struct{} // closed at each change
	written  [][]byte
	// still is for how long the reader's process stands still after the next bytes
	// were read, or were there to be read.
	still time.Duration
}

func newLine(slave func(frame []byte) []piece) *line {
	return &line{slave: slave, changed: make(chan struct{})}
}

// change runs f and wakes the reader.
func (l *line) change(f func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f()
	close(l.changed)
	l.changed = make(chan struct{})
}

func (l *line) deliver(b []byte) { l.change(func() { l.waiting = append(l.waiting, b...) }) }

func (l *line) fail(err error) { l.change(func() { l.failure = err }) }

func (l *line) SetReadDeadline(t time.Time) error {
	l.change(func() { l.deadline = t })
	return nil
}

func (l *line) Close() error {
	l.fail(os.ErrClosed)
	return nil
}

func (l *line) Write(b []byte) (int, error) {
	l.mu.Lock()
	failure := l.failure
	if failure == nil {
		l.written = append(l.written, bytes.Clone(b))
	}
	l.mu.Unlock()
	if failure != nil {
		return 0, failure
	}
	for _, p := range l.slave(b) {
		if p.after == 0 {
			l.deliver(p.bytes)
			continue
		}
		time.AfterFunc(p.after, func() { l.deliver(p.bytes) })
	}
	return len(b), nil
}

func (l *line) Read(b []byte) (int, error) {
	for {
		n, wait, err := l.take(b)
		if n > 0 {
			time.Sleep(l.still)
			l.still = 0
		}
		if n > 0 || err != nil {
			return n, err
		}
		wait()
	}
}

// take returns what waits, or how to wait for more.
func (l *line) take(b []byte) (n int, wait func(), err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	left := time.Until(l.deadline)
	switch {
	case !l.deadline.IsZero() && left <= 0: // as the runtime's poller does, before it reads
		return 0, nil, os.ErrDeadlineExceeded
	case len(l.waiting) > 0:
		n = copy(b, l.waiting)
		l.waiting = l.waiting[n:]
		return n, nil, nil
	case l.failure != nil:
		return 0, nil, l.failure
	}
	changed, bounded := l.changed, !l.deadline.IsZero()
	return 0, func() {
		var passed <-chan time.Time
		if bounded {
			timer := time.NewTimer(left)
			defer timer.Stop()
			passed = timer.C
		}
		select {
		case <-changed:
		case <-passed:
		}
	}, nil
}

var _ io.ReadWriteCloser = (*line)(nil)

// The line of the tests: 19200 8E1.
var (
	testChar = CharTime(19200, 11)
	testRTU  = Settings{
		Timeout:     100 * time.Millisecond,
		WorstAnswer: 400 * time.Millisecond,
		CharTime:    testChar,
		Silence:     Silence(19200, 11),
	}
	testTCP = Settings{Timeout: 100 * time.Millisecond}
)

// rtuClient returns a client whose pauses take no real time.
func rtuClient(l *line, s Settings) *Client {
	c := NewRTU(l, s)
	c.link.(*rtu).pause = func(_ context.Context, until time.Time) { time.Sleep(time.Until(until)) }
	return c
}

// valueAt is what the test's slaves hold: each address of each unit and table
// has another value, so that an answer to another request shows.
func valueAt(unit byte, table Table, address uint16) uint16 {
	return uint16(unit)<<12 ^ uint16(table)<<10 ^ address*5 ^ 0x00A5
}

// answerPDU is the right answer of such a slave.
func answerPDU(q Request) []byte {
	pdu := []byte{byte(q.Table), byte(q.Table.size(q.Count))}
	if q.Table == Coils || q.Table == DiscreteInputs {
		for i := range q.Table.size(q.Count) {
			pdu = append(pdu, byte(valueAt(q.Unit, q.Table, q.Address+uint16(8*i))))
		}
		return pdu
	}
	for i := range q.Count {
		pdu = binary.BigEndian.AppendUint16(pdu, valueAt(q.Unit, q.Table, q.Address+i))
	}
	return pdu
}

// poll reads and stops the test when a value comes that was not asked for.
func poll(t testing.TB, c *Client, q Request) error {
	t.Helper()
	data, at, err := c.Read(t.Context(), q)
	if err != nil {
		if data != nil {
			t.Fatalf("%v: data and an error: % x, %v", q, data, err)
		}
		return err
	}
	if want := answerPDU(q)[2:]; !bytes.Equal(data, want) {
		t.Fatalf("%v: WRONG VALUE accepted: % x, want % x", q, data, want)
	}
	if at.Asked.IsZero() || at.Answered.Before(at.Asked) {
		t.Fatalf("%v: stamps are %+v", q, at)
	}
	return nil
}

// parseRTU is the slave's side of a request.
func parseRTU(t testing.TB, frame []byte) Request {
	t.Helper()
	unit, pdu, err := CheckRTU(frame)
	if err != nil {
		t.Fatalf("the slave got % x: %v", frame, err)
	}
	q, err := ParseRequest(unit, pdu)
	if err != nil {
		t.Fatalf("the slave got % x: %v", frame, err)
	}
	return q
}

// goodRTU is the right answer as a frame.
func goodRTU(q Request) []byte { return AppendRTU(nil, q.Unit, answerPDU(q)) }

// at is when the answer to a request of 8 bytes may begin: after the request and
// the silence behind it.
const turn = 7 * time.Millisecond

// paced sends b a byte at a time.
func paced(after, gap time.Duration, b []byte) []piece {
	var pieces []piece
	for i := range b {
		pieces = append(pieces, piece{after + time.Duration(i)*gap, b[i : i+1]})
	}
	return pieces
}
