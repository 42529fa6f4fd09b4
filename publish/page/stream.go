package page

import (
	"bytes"
	"errors"
	"net/http"
	"net/netip"
	"strconv"
	"sync"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

const (
	// mostStreams is how many pages follow the bench at once.
	mostStreams = 200
	// mostStreamsFrom is how many of them one other computer may have.
	mostStreamsFrom = 16
	readingEvery    = 100 * time.Millisecond
	stateEvery      = time.Second
	// takeWithin is how long a browser may take no data before its stream is
	// ended; it asks for a new one when it is back.
	takeWithin = 5 * time.Second
)

// stream is one browser that follows the bench. Its fields are guarded by the
// page's mutex.
type stream struct {
	wake chan struct{}
	span publish.Span  // since the message before
	due  time.Duration // elapsed time of the next message
	from netip.Addr
}

// hear notes a step of the loop and wakes the stream when a message is due.
func (s *stream) hear(span publish.Span, now time.Duration) {
	s.span = wider(s.span, span)
	if now < s.due {
		return
	}
	// The rate stays right on average although readings come in their own rhythm.
	if s.due += readingEvery; s.due <= now {
		s.due = now + readingEvery
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// wider returns the range that covers both.
func wider(a, b publish.Span) publish.Span {
	switch {
	case !b.Min.Known || !b.Max.Known:
		return a
	case !a.Min.Known || !a.Max.Known:
		return b
	}
	return publish.Span{
		Min: peak.Known(min(a.Min.Value, b.Min.Value)),
		Max: peak.Known(max(a.Max.Value, b.Max.Value)),
	}
}

// join adds a stream from an address unless there are too many. Those of this
// computer may all be one program's, such as an encrypted tunnel's.
func (p *Page) join(from netip.Addr) (*stream, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.streams) >= mostStreams {
		return nil, false
	}
	same := 0
	for one := range p.streams {
		if one.from == from {
			same++
		}
	}
	if same >= mostStreamsFrom && !from.IsLoopback() {
		return nil, false
	}
	s := &stream{wake: make(chan struct{}, 1), from: from}
	p.streams[s] = struct{}{}
	return s, true
}

func (p *Page) leave(s *stream) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.streams, s)
}

// span takes the range of force since the message before.
func (p *Page) span(s *stream) publish.Span {
	p.mu.Lock()
	defer p.mu.Unlock()
	span := s.span
	s.span = publish.Span{}
	return span
}

// serveLive sends, as server-sent events whose id is the daemon's run and the
// elapsed milliseconds of it:
// "reading" up to ten times a second and "state" on change and each second, both
// as on NATS; "hold", how much of the hold is left, with each reading; and
// "records" when the last pulls have changed.
func (p *Page) serveLive(w http.ResponseWriter, r *http.Request) {
	s, ok := p.join(addressOf(r))
	if !ok {
		w.Header().Set("Retry-After", "10")
		refuse(w, http.StatusServiceUnavailable, "as many pages as the bench serves at once are open: close one of them")
		return
	}
	defer p.leave(s)
	w.Header().Set("Content-Type", "text/event-stream")
	if r.Method == http.MethodHead {
		return
	}
	t := teller{page: p, stream: s, out: w, control: http.NewResponseController(w)}
	if t.begin() != nil {
		return
	}
	tick := time.NewTicker(stateEvery)
	defer tick.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.wake:
			t.tell(true)
		case <-tick.C:
			// Without readings to go with, the age of the last one must be seen to grow.
			t.tell(!t.spoke)
			t.spoke = false
		}
		if t.flush() != nil {
			return
		}
	}
}

// teller writes one stream. Its owner is the request.
type teller struct {
	page     *Page
	stream   *stream
	out      http.ResponseWriter
	control  *http.ResponseController
	text     bytes.Buffer
	standing string    // as told last
	stated   time.Time // when the state was told last
	records  string    // version of the history as told last
	spoke    bool      // a reading was told since the last tick
}

func (t *teller) begin() error {
	// The server's own limits are for answers that end.
	if err := t.control.SetReadDeadline(time.Time{}); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	t.text.WriteString("retry: 1000\n\n")
	t.tell(true)
	return t.flush()
}

// tell puts into words what is to be said now.
func (t *teller) tell(reading bool) {
	p := t.page
	s := p.options.Snapshot()
	if s == nil {
		t.text.WriteString(": nothing is known yet\n\n")
		return
	}
	now := p.options.Now()
	if standing := p.standing.of(s); standing != t.standing || time.Since(t.stated) >= stateEvery {
		t.event("state", now, publish.EncodeState(s, now))
		t.standing, t.stated = standing, time.Now()
	}
	if reading {
		t.event("reading", now, publish.EncodeReading(s, p.span(t.stream), now))
		t.event("hold", now, encodeHold(s))
		t.spoke = true
	}
	if version := p.history.version(); version != t.records {
		t.event("records", now, mustMarshal(version))
		t.records = version
	}
}

func (t *teller) event(name string, now time.Duration, body []byte) {
	t.text.WriteString("event: " + name + "\nid: " + t.page.run + "-" + strconv.FormatInt(now.Milliseconds(), 10) + "\ndata: ")
	t.text.Write(body)
	t.text.WriteString("\n\n")
}

func (t *teller) flush() error {
	if err := writeWithin(t.out, takeWithin); err != nil {
		return err
	}
	if _, err := t.text.WriteTo(t.out); err != nil {
		return err
	}
	return t.control.Flush()
}

// encodeHold says how the hold of the pull in hand stands: how long the running
// one is, and what is left to the required one. What is not known is null.
func encodeHold(s *publish.Snapshot) []byte {
	st, b := s.State, []byte(`{"hold_now_seconds":`)
	b = peak.AppendSeconds(b, st.HoldNow)
	required, left := "null", "null"
	if st.Requirement.Known {
		hold := st.Requirement.Value.Hold
		required = string(peak.AppendSeconds(nil, hold))
		if st.InPull {
			left = string(peak.AppendSeconds(nil, holdLeft(st, hold)))
		}
	}
	return append(b, `,"required_hold_seconds":`+required+`,"hold_left_seconds":`+left+`}`...)
}

// holdLeft is 0 once the hold was complete, whatever came after.
func holdLeft(s peak.State, required time.Duration) time.Duration {
	if s.Hold >= required && s.Peak.Known && s.Peak.Value >= s.Requirement.Value.Required() {
		return 0
	}
	return max(0, required-s.HoldNow)
}

// standing knows what of a snapshot is no measured value, to tell when the
// state has changed; one answer serves all streams.
type standing struct {
	lock sync.Mutex
	last *publish.Snapshot
	text string
}

func (k *standing) of(s *publish.Snapshot) string {
	k.lock.Lock()
	defer k.lock.Unlock()
	if k.last == s {
		return k.text
	}
	still := *s
	still.Clock = publish.Clock{}
	st := &still.State
	st.At, st.TakenAt, st.Hold, st.HoldNow = 0, 0, 0, 0
	st.Net, st.Peak, st.Highest = peak.Maybe[peak.Force]{}, peak.Maybe[peak.Force]{}, peak.Maybe[peak.Force]{}
	st.Pressure = peak.Maybe[peak.Pressure]{}
	still.Checks = make([]publish.Check, len(s.Checks))
	for i, c := range s.Checks {
		c.Figure = ""
		still.Checks[i] = c
	}
	k.last, k.text = s, string(publish.EncodeState(&still, 0))
	return k.text
}
