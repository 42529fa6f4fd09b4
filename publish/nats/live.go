package nats

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// Live sends readings on bench.<id>.reading over core NATS. A reading that cannot
// be sent now is dropped and counted; nothing is kept for later, so nothing old
// ever arrives as new. The range since the message before is kept: a viewer
// who got no message for a while still learns the extremes.
type Live struct {
	link  *Link
	every time.Duration
	wake  chan struct{}

	mu   sync.Mutex
	due  time.Duration // elapsed time at which the next message may go
	span publish.Span  // since the message before
	next *handed       // what Run has not taken yet; its span is its own

	sent, dropped atomic.Uint64
}

// handed is a snapshot on its way from Publish to Run.
type handed struct {
	snapshot *publish.Snapshot
	span     publish.Span
	now      time.Duration // elapsed time of the call
	at       time.Time     // the same moment, to count how long it lay
}

// NewLive returns a sender of at most one reading each interval; 0 sends all.
func NewLive(link *Link, every time.Duration) *Live {
	return &Live{link: link, every: every, wake: make(chan struct{}, 1)}
}

// Sent counts the readings handed to the broker.
func (l *Live) Sent() uint64 { return l.sent.Load() }

// Dropped counts the readings that were due but could not be sent.
func (l *Live) Dropped() uint64 { return l.dropped.Load() }

// Publish offers a snapshot and the range of force since the call before; now is
// the elapsed time. It never waits for the broker. One caller at a time.
func (l *Live) Publish(s *publish.Snapshot, span publish.Span, now time.Duration) {
	l.mu.Lock()
	l.span = merge(l.span, span)
	if now < l.due {
		l.mu.Unlock()
		return
	}
	// The rate stays right on average although readings come in their own rhythm.
	if l.due += l.every; l.due <= now {
		l.due = now + l.every
	}
	if l.next != nil {
		l.span = merge(l.next.span, l.span)
		l.dropped.Add(1)
	}
	l.next = &handed{snapshot: s, span: l.span, now: now, at: time.Now()}
	l.span = publish.Span{}
	l.mu.Unlock()
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// Run sends what is published until ctx ends.
func (l *Live) Run(ctx context.Context) error {
	subject := readingSubject(l.link.bench)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-l.wake:
		}
		h := l.take()
		if h == nil {
			continue // taken with the one before
		}
		data := publish.EncodeReading(h.snapshot, h.span, h.now+time.Since(h.at))
		if err := l.link.live.Publish(subject, data); err != nil {
			l.keep(h.span)
			l.dropped.Add(1)
			continue
		}
		l.sent.Add(1)
	}
}

// take returns what is to be sent, nil if nothing.
func (l *Live) take() *handed {
	l.mu.Lock()
	defer l.mu.Unlock()
	h := l.next
	l.next = nil
	return h
}

// keep puts the range of a message that was not sent back.
func (l *Live) keep(span publish.Span) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.span = merge(l.span, span)
}

// merge returns the range that covers both.
func merge(a, b publish.Span) publish.Span {
	if !b.Min.Known || !b.Max.Known {
		return a
	}
	if !a.Min.Known || !a.Max.Known {
		return b
	}
	return publish.Span{
		Min: peak.Known(min(a.Min.Value, b.Min.Value)),
		Max: peak.Known(max(a.Max.Value, b.Max.Value)),
	}
}
