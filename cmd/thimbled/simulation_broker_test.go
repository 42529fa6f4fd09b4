package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"
)

// broker is a NATS server with JetStream in memory, at the wire: as much of it as the
// daemon's own client uses. The embedded server cannot run in simulated time, because its
// goroutines wait for sockets.
type broker struct {
	mu      sync.Mutex
	faulty  bool
	seed    uint64
	down    bool
	streams map[string]*stream
	conns   map[*session]bool
	opened  map[string]int  // connections so far, by name
	served  map[string]bool // consumers that have all there is
	seen    *tally
	reading func([]byte) // takes each live reading
}

// stream is what JetStream keeps under a name.
type stream struct {
	config json.RawMessage
	prefix string // of its subjects
	last   uint64
	stored map[uint64]stored
	ids    map[string]uint64 // of messages, in the time in which repeats are found
}

type stored struct {
	subject      string
	header, body []byte
	at           time.Time
}

func newBroker(seed uint64, seen *tally) *broker {
	return &broker{faulty: true, seed: seed, streams: map[string]*stream{}, conns: map[*session]bool{}, opened: map[string]int{}, served: map[string]bool{}, seen: seen}
}

// session is one connection.
type session struct {
	*broker
	conn   net.Conn
	chance *rand.Rand
	out    chan delayed
	subs   map[string]string // sid to subject
	gone   chan struct{}
	once   sync.Once
}

type delayed struct {
	due  time.Time
	text []byte
}

// connect is how a client reaches the broker.
func (b *broker) connect(_, _ string) (net.Conn, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.down {
		return nil, errors.New("connection refused")
	}
	near, far := net.Pipe()
	s := &session{broker: b, conn: far, out: make(chan delayed, 1<<14), subs: map[string]string{}, gone: make(chan struct{})}
	b.conns[s] = true
	go s.read()
	go s.write()
	return near, nil
}

// drop ends all connections.
func (b *broker) drop() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for s := range b.conns {
		s.end()
	}
	clear(b.conns)
}

func (s *session) end() {
	s.once.Do(func() { close(s.gone); s.conn.Close() })
}

func (s *session) write() {
	if _, err := s.conn.Write([]byte(`INFO {"server_id":"B","server_name":"b","version":"2.12.0","proto":1,"headers":true,"max_payload":1048576,"jetstream":true,"api_lvl":2}` + "\r\n")); err != nil {
		return
	}
	for {
		select {
		case d := <-s.out:
			time.Sleep(time.Until(d.due))
			if _, err := s.conn.Write(d.text); err != nil {
				return
			}
		case <-s.gone:
			return
		}
	}
}

// send puts text on its way; it never waits.
func (s *session) send(after time.Duration, text []byte) {
	select {
	case s.out <- delayed{time.Now().Add(after), text}:
	default: // a client that reads nothing
	}
}

func (s *session) read() {
	defer func() {
		s.mu.Lock()
		delete(s.conns, s)
		s.mu.Unlock()
		s.end()
	}()
	r := bufio.NewReader(s.conn)
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		verb, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		if err := s.take(strings.ToUpper(verb), rest, r); err != nil {
			return
		}
	}
}

func (s *session) take(verb, rest string, r io.Reader) error {
	f := strings.Fields(rest)
	switch verb {
	case "CONNECT":
		var c struct{ Name string }
		if err := json.Unmarshal([]byte(rest), &c); err != nil {
			return err
		}
		s.mu.Lock()
		s.opened[c.Name]++
		s.chance = rand.New(rand.NewPCG(s.seed+uint64(s.opened[c.Name]), uint64(len(c.Name))))
		s.mu.Unlock()
	case "PING":
		s.send(0, []byte("PONG\r\n"))
	case "SUB":
		s.mu.Lock()
		s.subs[f[len(f)-1]] = f[0]
		s.mu.Unlock()
	case "UNSUB":
		if len(f) == 1 {
			s.mu.Lock()
			delete(s.subs, f[0])
			s.mu.Unlock()
		}
	case "PUB", "HPUB":
		return s.publish(verb == "HPUB", f, r)
	}
	return nil
}

func (s *session) publish(headed bool, f []string, r io.Reader) error {
	size, err := strconv.Atoi(f[len(f)-1])
	if err != nil {
		return err
	}
	body := make([]byte, size+2)
	if _, err := io.ReadFull(r, body); err != nil {
		return err
	}
	body = body[:size]
	var header []byte
	sizes := 1
	if headed {
		n, err := strconv.Atoi(f[len(f)-2])
		if err != nil {
			return err
		}
		header, body, sizes = body[:n], body[n:], 2
	}
	reply := ""
	if len(f) == 2+sizes {
		reply = f[1]
	}
	s.route(f[0], reply, header, body)
	return nil
}

// route takes a message where it belongs.
func (s *session) route(subject, reply string, header, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if api, ok := strings.CutPrefix(subject, "$JS.API."); ok {
		s.answerAPI(api, reply, body)
		return
	}
	if strings.HasSuffix(subject, ".reading") && s.broker.reading != nil {
		s.broker.reading(body)
		return
	}
	for name, st := range s.streams {
		if strings.HasPrefix(subject, st.prefix) {
			s.arrive(name, stored{subject: subject, header: header, body: body}, reply)
		}
	}
}
