package text

import (
	"os"
	"sync"
	"time"
)

// scriptedPort is an indicator's port in memory. Like a serial port's driver it
// keeps what nobody has read yet.
type scriptedPort struct {
	onWrite func(request string) // called with each request

	mu       sync.Mutex
	rx       []byte
	sent     []string
	deadline time.Time
	failed   error
	changed  chan struct{}
	// still is for how long the reader's process stands still after the next bytes
	// were read, or were there to be read.
	still time.Duration
}

func newPort() *scriptedPort { return &scriptedPort{changed: make(chan struct{})} }

func (p *scriptedPort) update(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
	close(p.changed)
	p.changed = make(chan struct{})
}

// print makes bytes arrive now.
func (p *scriptedPort) print(s string) { p.update(func() { p.rx = append(p.rx, s...) }) }

// printAfter makes bytes arrive later.
func (p *scriptedPort) printAfter(d time.Duration, s string) {
	time.AfterFunc(d, func() { p.print(s) })
}

func (p *scriptedPort) Read(b []byte) (int, error) {
	for {
		p.mu.Lock()
		changed, deadline, failed := p.changed, p.deadline, p.failed
		n := 0
		if failed == nil && time.Now().Before(deadline) {
			n = copy(b, p.rx)
			p.rx = p.rx[n:]
		}
		p.mu.Unlock()
		switch {
		case failed != nil:
			return 0, failed
		case n > 0:
			time.Sleep(p.still)
			p.still = 0
			return n, nil
		case !time.Now().Before(deadline):
			return 0, os.ErrDeadlineExceeded
		}
		select {
		case <-changed:
		case <-time.After(time.Until(deadline)):
		}
	}
}

func (p *scriptedPort) Write(b []byte) (int, error) {
	p.mu.Lock()
	p.sent = append(p.sent, string(b))
	failed := p.failed
	p.mu.Unlock()
	if failed != nil {
		return 0, failed
	}
	if p.onWrite != nil {
		p.onWrite(string(b))
	}
	return len(b), nil
}

func (p *scriptedPort) SetReadDeadline(t time.Time) error {
	p.update(func() { p.deadline = t })
	return nil
}

func (p *scriptedPort) Close() error {
	p.update(func() { p.failed = os.ErrClosed })
	return nil
}
