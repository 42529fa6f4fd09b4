package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
	"thimbled/publish/search"
)

const (
	soakEvery = 24 * time.Hour / 200 // a pull
	soakPages = 3                    // at once, the first of which stalls
)

const soakConfig = `
[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"
[[line]]
name = "rs485"
kind = "rtu"
device = "/dev/serial/by-id/usb-adapter-port0"
baud = 115200
worst_answer = "300 ms"
[load]
line = "rs485"
unit_id = 1
register = 0
type = "int32"
scale = 0.001
unit = "N"
every = "100 ms"
timeout = "80 ms"
[pressure]
line = "rs485"
unit_id = 2
register = 0
type = "uint16"
scale = 0.01
unit = "bar"
every = "500 ms"
timeout = "80 ms"
[capture]
max_gap = "600 ms"
[nats]
url = "nats://192.0.2.1:4222"
[http]
listen = "127.0.0.1:8040"
[seal]
key = %q
`

// soak is a daemon on a real disk, with a line, a broker and pages in memory.
type soak struct {
	t      *testing.T
	dir    string
	daemon *daemon
	cable  *cable
	broker *broker
	door   *door
	client *http.Client

	cancel context.CancelFunc
	ended  chan error
	around sync.WaitGroup

	pulls, passed, came, scrapes atomic.Int64
}

func newSoak(t *testing.T, dir string) *soak {
	t.Helper()
	key := filepath.Join(t.TempDir(), "key")
	if err := seal.MakeKey(key, "soak"); err != nil {
		t.Fatal(err)
	}
	c, err := config.Parse("soak.toml", fmt.Appendf(nil, soakConfig, key))
	if err != nil {
		t.Fatal(err)
	}
	s := &soak{t: t, dir: dir, cable: newCable(1, time.Now(), soakForce, newTally()), broker: newBroker(1, newTally()), door: newDoor()}
	s.cable.faulty, s.broker.faulty = false, false
	s.client = &http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: s.door.dial}}
	s.daemon, err = newDaemonOn(surroundings{
		files: journal.OS, wall: time.Now, line: s.cable.open, broker: s.broker.connect, sleep: wakeAt, index: search.Open,
		listen: func(_, _ string) (net.Listener, error) { return s.door, nil },
	}, c, dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// soakForce is a pull to 102 kN each so often, held for half a minute, with some
// newtons of noise.
func soakForce(at time.Duration) peak.Force {
	const rest, rise, hold, fall = 2 * time.Minute, 20 * time.Second, 32 * time.Second, 8 * time.Second
	const top = 102 * peak.Kilonewton
	noise := peak.Force(at.Milliseconds()*7919%2000) * peak.Millinewton
	switch into := at%soakEvery - rest; {
	case into < 0 || into > rise+hold+fall:
		return noise
	case into < rise:
		return top*peak.Force(into/time.Millisecond)/peak.Force(rise/time.Millisecond) + noise
	case into < rise+hold:
		return top + noise
	default:
		return top*peak.Force((rise+hold+fall-into)/time.Millisecond)/peak.Force(fall/time.Millisecond) + noise
	}
}

// operate opens a job before each pull and records the inspection after it.
func (s *soak) operate(ctx context.Context) {
	const by = "A. Rigger"
	for n := 0; ; n++ {
		id, item := fmt.Sprintf("J-%d", n), fmt.Sprintf("SL-%05d", n)
		if !s.pause(ctx, time.Minute) {
			return
		}
		s.do(ctx, func(at time.Duration) peak.Input { return peak.SetZero{At: at, By: by} })
		s.do(ctx, func(at time.Duration) peak.Input {
			return peak.OpenJob{At: at, By: by, Job: peak.Job{
				ID: id, Item: item, Kind: "wire rope sling", Operator: by, Source: "twice the WLL",
				Planned: []peak.Planned{{Label: "whole item", Requirement: peak.Requirement{
					Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton), Hold: 30 * time.Second,
				}}},
			}}
		})
		if !s.pause(ctx, 4*time.Minute) {
			return
		}
		s.do(ctx, func(at time.Duration) peak.Input {
			return peak.Inspect{At: at, Finding: peak.ItemInspected{At: at, Job: id, Item: item, Inspector: by, Accepted: true, Examined: "eyes", By: by}}
		})
		if !s.pause(ctx, soakEvery-5*time.Minute) {
			return
		}
	}
}

// pause is false when the time is over.
func (s *soak) pause(ctx context.Context, d time.Duration) bool {
	return wakeAt(ctx, time.Now().Add(d)) == nil
}

func (s *soak) do(ctx context.Context, input func(time.Duration) peak.Input) {
	event, _, err := s.daemon.loop.do(ctx, input)
	if refused, ok := event.(peak.CommandRefused); (err != nil || ok) && ctx.Err() == nil {
		s.t.Errorf("a command was not done: %+v, %v", refused, err)
	}
}

// follow counts the pulls as they are recorded.
func (s *soak) follow(ctx context.Context) {
	for after := uint64(0); ; after++ {
		r, err := s.daemon.journal.Next(ctx, after)
		if err != nil {
			return
		}
		if r.Type != peak.TypePullEnded {
			continue
		}
		var e struct{ Verdict peak.Verdict }
		if err := json.Unmarshal(r.Data, &e); err != nil {
			s.t.Error(err)
		}
		s.pulls.Add(1)
		if e.Verdict == peak.Pass {
			s.passed.Add(1)
		}
	}
}

// watch has one page after the other follow the bench, each for twenty minutes; the
// first ones take nothing any more after the first reading.
func (s *soak) watch(ctx context.Context, n int) {
	for ctx.Err() == nil {
		s.came.Add(1)
		s.open(ctx, n == 0)
		s.pause(ctx, 10*time.Second)
	}
}

func (s *soak) open(ctx context.Context, stalls bool) {
	ctx, cancel := context.WithTimeout(ctx, 20*time.Minute)
	defer cancel()
	s.fetch(ctx, "/pulls")
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://127.0.0.1:8040/live", nil)
	if err != nil {
		s.t.Error(err)
		return
	}
	answer, err := s.client.Do(r)
	if err != nil {
		return // the daemon has ended
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		s.t.Errorf("a page gets %s", answer.Status)
	}
	for lines := bufio.NewScanner(answer.Body); lines.Scan(); {
		if stalls && lines.Text() == "event: reading" {
			s.pause(ctx, time.Minute)
			return
		}
	}
}

func (s *soak) fetch(ctx context.Context, path string) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://127.0.0.1:8040"+path, nil)
	if err != nil {
		s.t.Error(err)
		return
	}
	answer, err := s.client.Do(r)
	if err != nil {
		return // the daemon has ended
	}
	defer answer.Body.Close()
	if _, err := io.Copy(io.Discard, answer.Body); answer.StatusCode != http.StatusOK && err == nil {
		s.t.Errorf("%s gets %s", path, answer.Status)
	}
}

// scrape takes the metrics every five minutes.
func (s *soak) scrape(ctx context.Context) {
	for s.pause(ctx, 5*time.Minute) {
		s.fetch(ctx, "/metrics")
		s.scrapes.Add(1)
	}
}

// door is a port in memory.
type door struct {
	coming chan net.Conn
	closed chan struct{}
	close  func()
}

func newDoor() *door {
	d := &door{coming: make(chan net.Conn), closed: make(chan struct{})}
	d.close = sync.OnceFunc(func() { close(d.closed) })
	return d
}

func (d *door) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	near, far := net.Pipe()
	select {
	case d.coming <- far:
		return near, nil
	case <-d.closed:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (d *door) Accept() (net.Conn, error) {
	select {
	case conn := <-d.coming:
		return conn, nil
	case <-d.closed:
		return nil, net.ErrClosed
	}
}

func (d *door) Close() error   { d.close(); return nil }
func (d *door) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8040} }
