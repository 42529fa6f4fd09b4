package nats

import (
	"context"
	"encoding/json"
	"net"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"

	"thimbled/peak"
	"thimbled/publish"
)

func snapshot(at time.Duration, net peak.Force) *publish.Snapshot {
	return &publish.Snapshot{
		Bench: benchID, Version: "0.1.0", Clock: publish.Clock{Epoch: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)},
		State: peak.State{At: at, TakenAt: at, Phase: peak.PhasePulling, Net: peak.Known(net)},
	}
}

func spanOf(low, high peak.Force) publish.Span {
	return publish.Span{Min: peak.Known(low), Max: peak.Known(high)}
}

// reading is what a subscriber makes of a live message.
type reading struct {
	TakenAt time.Time `json:"taken_at"`
	Age     float64   `json:"age_seconds"`
	Force   *float64  `json:"force_newtons"`
	Min     *float64  `json:"min_newtons"`
	Max     *float64  `json:"max_newtons"`
}

func next(t *testing.T, sub *natsgo.Subscription) reading {
	t.Helper()
	m, err := sub.NextMsg(10 * time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var r reading
	if err := json.Unmarshal(m.Data, &r); err != nil {
		t.Fatalf("%v: %s", err, m.Data)
	}
	return r
}

func subscribe(t testing.TB, url, subject string) *natsgo.Subscription {
	t.Helper()
	c := client(t, url)
	sub, err := c.SubscribeSync(subject)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Flush(); err != nil {
		t.Fatal(err)
	}
	return sub
}

func TestReadingsReachASubscriber(t *testing.T) {
	s := embed(t)
	l := NewLive(dial(t, LinkOptions{Server: s}), 0)
	waitFor(t, "a connection", l.link.Connected)
	sub := subscribe(t, s.URL(), "bench.dock-3.reading")
	run(t, l.Run)
	for i := range 5 {
		at := time.Duration(i) * 20 * time.Millisecond
		l.Publish(snapshot(at, peak.Force(i)*peak.Kilonewton), spanOf(0, peak.Force(i)*peak.Kilonewton), at+time.Millisecond)
		r := next(t, sub)
		if *r.Force != float64(i)*1000 || *r.Max != float64(i)*1000 || *r.Min != 0 || r.Age < 0.001 {
			t.Errorf("reading %d: %+v", i, r)
		}
	}
	if l.Sent() != 5 || l.Dropped() != 0 {
		t.Errorf("sent %d, dropped %d", l.Sent(), l.Dropped())
	}
}

// At a set rate each message covers the readings since the one before.
func TestReadingsAtARate(t *testing.T) {
	s := embed(t)
	l := NewLive(dial(t, LinkOptions{Server: s}), 100*time.Millisecond)
	waitFor(t, "a connection", l.link.Connected)
	sub := subscribe(t, s.URL(), "bench.dock-3.reading")
	run(t, l.Run)
	const readings = 50 // one each 21 ms: 1.03 s, so 11 messages
	for i := range readings {
		at := time.Duration(i) * 21 * time.Millisecond
		force := peak.Newton * peak.Force(i)
		l.Publish(snapshot(at, force), spanOf(force, force), at)
		waitFor(t, "Run to take the reading", func() bool {
			l.mu.Lock()
			defer l.mu.Unlock()
			return l.next == nil
		})
	}
	waitFor(t, "eleven messages", func() bool { return l.Sent() == 11 })
	from := 0.0
	for range 11 {
		r := next(t, sub)
		if *r.Min != from || *r.Max != *r.Force {
			t.Errorf("message covers %v to %v at %v, want from %v", *r.Min, *r.Max, *r.Force, from)
		}
		from = *r.Max + 1
	}
}

// While the broker is away readings are dropped, not kept; the extremes of the
// time away are told by the first message after it.
func TestReadingsWhileTheBrokerIsAway(t *testing.T) {
	t.Parallel()
	s := embed(t)
	l := NewLive(dial(t, LinkOptions{Server: s}), 0)
	waitFor(t, "a connection", l.link.Connected)
	run(t, l.Run)
	s.mu.Lock()
	s.stop()
	s.mu.Unlock()
	waitFor(t, "the loss of the broker", func() bool { return !l.link.live.IsConnected() })
	for i := range 100 {
		at := time.Duration(i) * 20 * time.Millisecond
		l.Publish(snapshot(at, peak.Newton), spanOf(peak.Newton, peak.Force(i)*peak.Newton), at)
	}
	waitFor(t, "readings to be dropped", func() bool { return l.Dropped() == 100 })
	if err := s.Restart(); err != nil {
		t.Fatal(err)
	}
	sub := subscribe(t, s.URL(), "bench.dock-3.reading")
	waitFor(t, "a connection", l.link.Connected)
	at := 10 * time.Second
	l.Publish(snapshot(at, 5*peak.Newton), spanOf(5*peak.Newton, 5*peak.Newton), at)
	r := next(t, sub)
	if *r.Force != 5 || *r.Min != 1 || *r.Max != 99 || r.Age > 1 {
		t.Errorf("first reading after the outage: force %v, range %v to %v, age %v", *r.Force, *r.Min, *r.Max, r.Age)
	}
	if n, _, _ := sub.Pending(); n != 0 {
		t.Errorf("%d old readings arrived", n)
	}
}

// stuckBroker says just enough for a client to think itself connected, and then
// reads nothing. Nothing lies between that could take up what is written.
type stuckBroker struct{ t *testing.T }

func (b stuckBroker) InProcessConn() (net.Conn, error) {
	near, far := net.Pipe()
	context.AfterFunc(b.t.Context(), func() { far.Close() })
	go func() {
		_, _ = far.Write([]byte(`INFO {"server_id":"X","version":"2.15.2","max_payload":1048576,"headers":true}` + "\r\n"))
		_, _ = far.Read(make([]byte, 4096)) // CONNECT and PING
		_, _ = far.Read(make([]byte, 4096))
		_, _ = far.Write([]byte("PONG\r\n"))
	}()
	return near, nil
}

// A broker that reads nothing does not hold the caller up.
func TestPublishNeverWaits(t *testing.T) {
	t.Parallel()
	link := &Link{bench: benchID, log: quiet()}
	var err error
	if link.live, err = link.open("", stuckBroker{t}, "live", func() {}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(link.Close)
	l := NewLive(link, 0)
	waitFor(t, "a connection", l.link.live.IsConnected)
	run(t, l.Run)
	var longest time.Duration
	offer := func() {
		begun := time.Now()
		l.Publish(snapshot(0, peak.Newton), spanOf(0, 0), 0)
		longest = max(longest, time.Since(begun))
	}
	taken := func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.next == nil
	}
	// Fill the connection's own buffer, until a reading lies there.
	for wait := 0; wait < 200; wait++ {
		if taken() {
			offer()
			wait = 0
		}
		time.Sleep(time.Millisecond)
	}
	full := l.Sent()
	for range 500 {
		offer()
		time.Sleep(time.Millisecond)
	}
	if longest > writeTimeout/4 {
		t.Errorf("caller was held up for %v", longest)
	}
	if l.Sent() > full+50 || l.Dropped() < 400 {
		t.Errorf("connection was not stuck: %d sent, then %d; %d dropped", full, l.Sent(), l.Dropped())
	}
}

// A subscriber that reads nothing costs the others nothing.
func TestSlowSubscriber(t *testing.T) {
	s := embed(t)
	l := NewLive(dial(t, LinkOptions{Server: s}), 0)
	waitFor(t, "a connection", l.link.Connected)
	slow, err := net.Dial("tcp", s.URL()[len("nats://"):])
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	if _, err := slow.Write([]byte("CONNECT {\"verbose\":false}\r\nSUB bench.> 1\r\n")); err != nil {
		t.Fatal(err)
	}
	sub := subscribe(t, s.URL(), "bench.dock-3.reading")
	run(t, l.Run)
	for i := range 2000 {
		l.Publish(snapshot(time.Duration(i), peak.Newton), spanOf(0, 0), time.Duration(i))
		next(t, sub)
	}
}

func TestState(t *testing.T) {
	t.Parallel()
	s := embed(t)
	st := NewState(dial(t, LinkOptions{Server: s}))
	run(t, st.Run)
	js := plainJetStream(t, client(t, s.URL()))
	last := func() (verdict string, ok bool) {
		stream, err := js.Stream(context.Background(), "STATE_dock-3")
		if err != nil {
			return "", false
		}
		m, err := stream.GetLastMsgForSubject(context.Background(), "bench.dock-3.state")
		if err != nil {
			return "", false
		}
		var state struct{ Bench, Verdict string }
		if err := json.Unmarshal(m.Data, &state); err != nil || state.Bench != benchID {
			t.Errorf("state %s: %v", m.Data, err)
		}
		return state.Verdict, true
	}
	waitFor(t, "a connection", st.link.Connected)
	a, b := snapshot(0, peak.Newton), snapshot(0, 2*peak.Newton)
	b.State.Verdict = peak.Pass
	st.Publish(a, 0)
	waitFor(t, "a newcomer to read the state", func() bool { _, ok := last(); return ok })
	st.Publish(b, time.Millisecond) // a change is told at once
	waitFor(t, "the change", func() bool { verdict, _ := last(); return verdict == "pass" })
	if err := s.Restart(); err != nil { // the state was in memory
		t.Fatal(err)
	}
	waitFor(t, "a connection", st.link.Connected)
	at := time.Second
	waitFor(t, "the state to be kept again", func() bool {
		at += time.Second
		st.Publish(b, at)
		verdict, _ := last()
		return verdict == "pass"
	})
	stream, err := js.Stream(context.Background(), "STATE_dock-3")
	if err != nil || stream.CachedInfo().State.Msgs != 1 {
		t.Errorf("state stream: %v, %v", stream.CachedInfo().State.Msgs, err)
	}
}

// made is a job of which some pulls were made.
func made(pulls int) peak.Maybe[peak.OpenTest] {
	return peak.Known(peak.OpenTest{Job: peak.Job{ID: "2026-117"}, Made: make([]peak.Attempt, pulls)})
}

func TestStateIsRenewedEachSecondAndOnChange(t *testing.T) {
	st := NewState(&Link{bench: benchID})
	offered := func(s *publish.Snapshot, now time.Duration) bool {
		st.Publish(s, now)
		return st.take() != nil
	}
	first := snapshot(0, peak.Newton)
	for _, c := range []struct {
		now  time.Duration
		make func(*publish.Snapshot)
		want bool
	}{
		{0, func(*publish.Snapshot) {}, true},
		{20 * time.Millisecond, func(s *publish.Snapshot) { s.State.Net.Value++ }, false},
		{40 * time.Millisecond, func(s *publish.Snapshot) { s.State.Quality = peak.Timeout }, true},
		{60 * time.Millisecond, func(s *publish.Snapshot) { s.State.Quality = peak.Timeout }, false},
		{80 * time.Millisecond, func(s *publish.Snapshot) { s.Instruments = []publish.Instrument{{Name: "load", Lost: true}} }, true},
		{90 * time.Millisecond, func(s *publish.Snapshot) { s.State.Job = made(0) }, true},
		{95 * time.Millisecond, func(s *publish.Snapshot) { s.State.Job = made(1) }, true},
		{99 * time.Millisecond, func(s *publish.Snapshot) { s.State.Job = made(1) }, false},
		{1094 * time.Millisecond, func(s *publish.Snapshot) { s.State.Job = made(1) }, false},
		{1095 * time.Millisecond, func(s *publish.Snapshot) { s.State.Job = made(1) }, true},
	} {
		s := *first
		c.make(&s)
		if got := offered(&s, c.now); got != c.want {
			t.Errorf("at %v: sent %t, want %t", c.now, got, c.want)
		}
	}
}
