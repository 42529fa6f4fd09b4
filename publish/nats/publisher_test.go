package nats

import (
	"context"
	"errors"
	"net"
	"sync"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

func TestRecordsArePublishedInOrder(t *testing.T) {
	s, j := embed(t), newJournal()
	j.add(10, "a")
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	if n, known := p.Unpublished(); known || n != 0 {
		t.Errorf("before the start: unpublished %d, known %t", n, known)
	}
	run(t, p.Run)
	published(t, p)
	j.add(5, "a")
	published(t, p)
	if p.Published() != 15 {
		t.Errorf("published up to %d, want 15", p.Published())
	}
	wantOnce(t, s.URL(), 15, true)
}

func TestBrokerRestart(t *testing.T) {
	t.Parallel()
	s, j := embed(t), newJournal()
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	run(t, p.Run)
	for range 3 {
		j.add(100, "a") // the restart comes while these are on their way
		if err := s.Restart(); err != nil {
			t.Fatal(err)
		}
	}
	published(t, p)
	wantOnce(t, s.URL(), 300, true)
}

// A run is ended at any moment, also while records are on their way; the next one
// goes on from what the stream holds.
func TestPublisherRestart(t *testing.T) {
	t.Parallel()
	s, j := embed(t), newJournal()
	for range 20 {
		j.add(37, "a")
		p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
		p.drain = 0
		stop := run(t, p.Run)
		waitFor(t, "some records", func() bool { return p.Published()+20 > j.Last() })
		stop()
	}
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	run(t, p.Run)
	published(t, p)
	wantOnce(t, s.URL(), 20*37, true)
}

// proxy passes a TCP connection on; while deaf it swallows what the broker says,
// so that acknowledgements are lost.
type proxy struct {
	net.Listener
	mu    sync.Mutex
	deaf  bool
	conns []net.Conn
}

func newProxy(t *testing.T, to string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{Listener: l}
	t.Cleanup(func() { l.Close(); p.cut() })
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				near.Close()
				continue
			}
			p.mu.Lock()
			p.conns = append(p.conns, near, far)
			p.mu.Unlock()
			go p.pass(far, near, false)
			go p.pass(near, far, true)
		}
	}()
	return p
}

func (p *proxy) pass(to, from net.Conn, answers bool) {
	defer to.Close()
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		p.mu.Lock()
		swallow := p.deaf && answers
		p.mu.Unlock()
		if !swallow {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (p *proxy) setDeaf(deaf bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.deaf = deaf
}

// cut closes all connections.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

// The broker stores records, but the connection is lost before its
// acknowledgements arrive.
func TestAcknowledgementsLost(t *testing.T) {
	t.Parallel()
	s, j := embed(t), newJournal()
	x := newProxy(t, s.URL()[len("nats://"):])
	p := NewPublisher(dial(t, LinkOptions{URL: "nats://" + x.Addr().String()}), j, nil)
	run(t, p.Run)
	published(t, p)
	js := plainJetStream(t, client(t, s.URL()))
	for round := range uint64(5) {
		x.setDeaf(true)
		j.add(4, "a")
		waitFor(t, "the broker to store a record", func() bool {
			stream, err := js.Stream(context.Background(), EventStream(benchID))
			return err == nil && stream.CachedInfo().State.Msgs == 4*round+1
		})
		if got := p.Published(); got != 4*round {
			t.Fatalf("publisher knows of %d records, but heard of %d", got, 4*round)
		}
		x.setDeaf(false)
		x.cut()
		published(t, p)
	}
	wantOnce(t, s.URL(), 20, true)
}

func TestTwoPublishersOfOneJournal(t *testing.T) {
	s, j := embed(t), newJournal()
	a := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	b := NewPublisher(dial(t, LinkOptions{URL: s.URL()}), j, nil)
	a.look, b.look = 20*time.Millisecond, 20*time.Millisecond
	run(t, a.Run)
	run(t, b.Run)
	for range 20 {
		j.add(10, "a")
	}
	published(t, a)
	published(t, b)
	wantOnce(t, s.URL(), 200, true)
}

// A thousand records are written while the broker, an external one, is
// away from the start.
func TestBrokerAwayAtStart(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	j := newJournal()
	p := NewPublisher(dial(t, LinkOptions{URL: "nats://" + addr}), j, nil)
	run(t, p.Run)
	j.add(1000, "a")
	waitFor(t, "trouble to be told", func() bool { return p.Trouble() != nil })
	s, err := Embed(ServerOptions{Bench: benchID, StoreDir: t.TempDir(), Listen: addr, Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	published(t, p)
	wantOnce(t, s.URL(), 1000, true)
}

// The last record of a run is written just before the run ends.
func TestLastRecordBeforeTheEnd(t *testing.T) {
	s, j := embed(t), newJournal()
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	stop := run(t, p.Run)
	published(t, p)
	j.add(1, "a")
	stop()
	wantOnce(t, s.URL(), 1, true)
}

// A second publish of a record is refused by the sequence alone, without the
// broker's window for message ids.
func TestSecondPublishIsRefused(t *testing.T) {
	s, j := embed(t), newJournal()
	j.add(2, "a")
	l := dial(t, LinkOptions{Server: s})
	p := NewPublisher(l, j, nil)
	run(t, p.Run)
	published(t, p)
	msg, err := message(benchID, j.records[1])
	if err != nil {
		t.Fatal(err)
	}
	msg.Header.Set(natsgo.ExpectedLastSeqHdr, "1")
	_, err = l.stream.PublishMsg(context.Background(), msg)
	var api *jetstream.APIError
	if !errors.As(err, &api) || api.ErrorCode != jetstream.JSErrCodeStreamWrongLastSequence {
		t.Fatalf("second publish: %v", err)
	}
	wantOnce(t, s.URL(), 2, true)
}
