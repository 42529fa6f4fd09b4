package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"
)

// ErrReplay says that what was sent is not what the recording goes on with.
var ErrReplay = errors.New("replay differs from the recording")

// Replay is a Port that plays a recording back: it takes the recorded tx bytes
// and after them brings the rx bytes, as long after as in the recording, so that
// what came late comes late again.
type Replay struct {
	mu       sync.Mutex // guards all below
	events   []Event    // from the next tx on
	matched  int        // bytes of that tx which were sent
	coming   []arrival
	deadline time.Time
	failure  error         // what every call gives from now on
	changed  chan struct{} // closed at each change
}

// arrival is received bytes and when they come.
type arrival struct {
	at    time.Time
	bytes []byte
}

// NewReplay returns a port that plays r from now on.
func NewReplay(r Recording) *Replay {
	p := &Replay{events: r.Events, changed: make(chan struct{})}
	if len(r.Events) > 0 {
		p.bring(r.Events[0].Elapsed)
	}
	return p
}

// bring lets the received bytes up to the next tx come, as if it were now since
// in the recording.
func (p *Replay) bring(since time.Duration) {
	now := time.Now()
	for len(p.events) > 0 && p.events[0].Direction == Received {
		e := p.events[0]
		a := arrival{now.Add(e.Elapsed - since), e.Bytes}
		if n := len(p.coming); n > 0 && a.at.Before(p.coming[n-1].at) {
			a.at = p.coming[n-1].at
		}
		p.coming = append(p.coming, a)
		p.events = p.events[1:]
	}
}

// change runs f and wakes the reader.
func (p *Replay) change(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
	close(p.changed)
	p.changed = make(chan struct{})
}

// Write takes what the recording goes on with. The error of other bytes names
// the recording's line, and every later call gives it too.
func (p *Replay) Write(b []byte) (n int, err error) {
	p.change(func() { n, err = p.send(b) })
	return n, err
}

func (p *Replay) send(b []byte) (int, error) {
	for done := 0; done < len(b); {
		if p.failure != nil {
			return done, p.failure
		}
		if len(p.events) == 0 {
			p.failure = fmt.Errorf("%w: sent % x behind its end", ErrReplay, b)
			continue
		}
		e := p.events[0]
		want := e.Bytes[p.matched:]
		n := min(len(want), len(b)-done)
		if !bytes.Equal(want[:n], b[done:done+n]) {
			p.failure = fmt.Errorf("%w: line %d: sent % x where % x was", ErrReplay, e.Line, b, e.Bytes)
			continue
		}
		done += n
		p.matched += n
		if p.matched == len(e.Bytes) {
			p.matched, p.events = 0, p.events[1:]
			p.bring(e.Elapsed)
		}
	}
	return len(b), nil
}

// Read brings recorded bytes when their time has come. Behind the last it is
// io.EOF, or the deadline's error if there is a deadline.
func (p *Replay) Read(b []byte) (int, error) {
	for len(b) > 0 {
		n, wait, err := p.take(b)
		if n > 0 || err != nil {
			return n, err
		}
		wait()
	}
	return 0, nil
}

// take returns what has come, or how to wait for more.
func (p *Replay) take(b []byte) (n int, wait func(), err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now, bounded := time.Now(), !p.deadline.IsZero()
	switch {
	case p.failure != nil:
		return 0, nil, p.failure
	case bounded && !now.Before(p.deadline):
		return 0, nil, os.ErrDeadlineExceeded
	case len(p.coming) > 0 && !now.Before(p.coming[0].at):
		return p.receive(b), nil, nil
	case len(p.coming) == 0 && len(p.events) == 0 && !bounded:
		return 0, nil, io.EOF
	}
	until := p.deadline
	if len(p.coming) > 0 && (!bounded || p.coming[0].at.Before(until)) {
		until = p.coming[0].at
	}
	changed := p.changed
	return 0, func() { await(changed, until) }, nil
}

func (p *Replay) receive(b []byte) int {
	first := &p.coming[0]
	n := copy(b, first.bytes)
	first.bytes = first.bytes[n:]
	if len(first.bytes) == 0 {
		p.coming = p.coming[1:]
	}
	return n
}

// await returns at a change or at until, if that is set.
func await(changed <-chan struct{}, until time.Time) {
	if until.IsZero() {
		<-changed
		return
	}
	timer := time.NewTimer(time.Until(until))
	defer timer.Stop()
	select {
	case <-changed:
	case <-timer.C:
	}
}

// SetReadDeadline sets the moment after which Read gives up, also one that
// waits now. The zero time means never.
func (p *Replay) SetReadDeadline(t time.Time) error {
	p.change(func() { p.deadline = t })
	return nil
}

// Close ends the replay. Later calls, and a Read that waits, give os.ErrClosed.
func (p *Replay) Close() error {
	p.change(func() {
		if p.failure == nil {
			p.failure = os.ErrClosed
		}
	})
	return nil
}

// Done says that the whole recording was played.
func (p *Replay) Done() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.events) == 0 && len(p.coming) == 0
}
