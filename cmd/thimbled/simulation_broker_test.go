package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/textproto"
	"strconv"
	"strings"
	"sync"
	"testing"
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
	seen    map[string]int  // faults, by kind
	reading func([]byte)    // takes each live reading
}

// stream is what JetStream keeps under a name.
type stream struct {
	config json.RawMessage
	prefix string // of its subjects
	first  uint64
	last   uint64
	stored map[uint64]stored
	ids    map[string]uint64 // of messages, in the time in which repeats are found
}

type stored struct {
	subject      string
	header, body []byte
	at           time.Time
}

func newBroker(seed uint64, seen map[string]int) *broker {
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
			s.store(name, st, subject, reply, header, body)
		}
	}
}

// store keeps a message and acknowledges it, unless something goes wrong.
func (s *session) store(name string, st *stream, subject, reply string, header, body []byte) {
	h := headerOf(header)
	takes := 200*time.Microsecond + time.Duration(s.chance.IntN(3_000_000))
	fault := 0
	if s.faulty && strings.HasPrefix(name, "BENCH") {
		fault = s.chance.IntN(60)
	}
	switch fault {
	case 1:
		s.seen["broker: request lost"]++
		return
	case 2:
		s.seen["broker: acknowledgement lost"]++
		reply = ""
	case 3:
		s.seen["broker: slow"]++
		takes += time.Duration(s.chance.Int64N(int64(8 * time.Second)))
	case 4:
		s.seen["broker: gone after storing"]++
		defer s.end()
	}
	if expected := h.Get("Nats-Expected-Last-Sequence"); expected != "" && expected != strconv.FormatUint(st.last, 10) {
		s.reply(takes, reply, fmt.Appendf(nil, `{"error":{"code":400,"err_code":10071,"description":"wrong last sequence: %d"},"stream":%q,"seq":0}`, st.last, name))
		return
	}
	id := h.Get("Nats-Msg-Id")
	if seq := st.ids[id]; id != "" && seq != 0 {
		s.reply(takes, reply, fmt.Appendf(nil, `{"stream":%q,"seq":%d,"duplicate":true}`, name, seq))
		return
	}
	st.last++
	if id != "" {
		st.ids[id] = st.last
	}
	st.stored[st.last] = stored{subject, header, body, time.Now()}
	if !strings.HasPrefix(name, "BENCH") {
		delete(st.stored, st.last-1) // one message of a subject
	}
	s.reply(takes, reply, fmt.Appendf(nil, `{"stream":%q,"seq":%d}`, name, st.last))
}

// headerOf reads a message's headers, whose names it takes as they are.
func headerOf(b []byte) header {
	h := header{}
	for _, line := range strings.Split(string(b), "\r\n")[min(1, bytes.Count(b, []byte("\r\n"))):] {
		if name, value, ok := strings.Cut(line, ":"); ok {
			h[textproto.CanonicalMIMEHeaderKey(name)] = strings.TrimSpace(value)
		}
	}
	return h
}

type header map[string]string

func (h header) Get(name string) string { return h[textproto.CanonicalMIMEHeaderKey(name)] }

func (s *session) reply(after time.Duration, subject string, body []byte) {
	s.deliver(after, subject, "", nil, body)
}

func (s *session) deliver(after time.Duration, subject, reply string, header, body []byte) {
	for sid, wanted := range s.subs {
		if wanted != subject && !(strings.HasSuffix(wanted, "*") && strings.HasPrefix(subject, strings.TrimSuffix(wanted, "*"))) {
			continue
		}
		var b []byte
		if header == nil {
			b = fmt.Appendf(nil, "MSG %s %s %s %d\r\n%s\r\n", subject, sid, reply, len(body), body)
		} else {
			b = fmt.Appendf(nil, "HMSG %s %s %s %d %d\r\n%s%s\r\n", subject, sid, reply, len(header), len(header)+len(body), header, body)
		}
		s.send(after, b)
		return
	}
}

// answerAPI answers a request to JetStream.
func (s *session) answerAPI(api, reply string, body []byte) {
	f := strings.Split(api, ".")
	name := f[2]
	if f[0] == "STREAM" && f[1] == "MSG" || f[0] == "CONSUMER" && f[1] == "MSG" {
		name = f[3]
	}
	st := s.streams[name]
	takes := time.Duration(100+s.chance.IntN(2_000)) * time.Microsecond
	if f[0] == "STREAM" && f[1] == "CREATE" {
		st = newStream(body)
		s.streams[name] = st
	}
	switch {
	case st == nil:
		s.reply(takes, reply, []byte(`{"error":{"code":404,"err_code":10059,"description":"stream not found"}}`))
	case f[0] == "STREAM" && f[1] == "DELETE":
		delete(s.streams, name)
		s.reply(takes, reply, []byte(`{"success":true}`))
	case f[0] == "STREAM" && f[1] == "UPDATE":
		st.config = bytes.Clone(body)
		s.reply(takes, reply, st.info())
	case f[0] == "STREAM":
		s.reply(takes, reply, st.info())
	case f[0] == "DIRECT":
		s.get(takes, name, st, reply, body)
	case f[1] == "CREATE":
		s.reply(takes, reply, consumerInfo(name, f[3], body))
	case f[1] == "MSG":
		s.deliverAll(takes, name, f[4], st, reply)
	default:
		s.reply(takes, reply, []byte(`{"success":true}`))
	}
}

func newStream(config []byte) *stream {
	var c struct{ Subjects []string }
	if err := json.Unmarshal(config, &c); err != nil {
		panic(err)
	}
	return &stream{config: bytes.Clone(config), prefix: strings.TrimSuffix(c.Subjects[0], ">"), stored: map[uint64]stored{}, ids: map[string]uint64{}}
}

func (st *stream) info() []byte {
	return fmt.Appendf(nil, `{"type":"io.nats.jetstream.api.v1.stream_info_response","config":%s,"created":"2026-01-01T00:00:00Z","state":{"messages":%d,"bytes":1,"first_seq":1,"last_seq":%d,"consumer_count":0}}`,
		st.config, len(st.stored), st.last)
}

func (s *session) get(takes time.Duration, name string, st *stream, reply string, body []byte) {
	var q struct{ Seq uint64 }
	_ = json.Unmarshal(body, &q) // a request for the last one of a subject has no body
	m, ok := st.stored[q.Seq]
	if !ok {
		s.deliver(takes, reply, "", []byte("NATS/1.0 404 Message Not Found\r\n\r\n"), nil)
		return
	}
	h := fmt.Appendf(nil, "NATS/1.0\r\nNats-Stream: %s\r\nNats-Subject: %s\r\nNats-Sequence: %d\r\nNats-Time-Stamp: %s\r\n%s",
		name, m.subject, q.Seq, m.at.UTC().Format(time.RFC3339Nano), lines(m.header))
	s.deliver(takes, reply, "", h, m.body)
}

// lines are a message's header without its first line.
func lines(header []byte) []byte {
	_, rest, ok := bytes.Cut(header, []byte("\r\n"))
	if !ok {
		return []byte("\r\n")
	}
	return rest
}

func consumerInfo(stream, name string, body []byte) []byte {
	var q struct{ Config json.RawMessage }
	if err := json.Unmarshal(body, &q); err != nil {
		panic(err)
	}
	return fmt.Appendf(nil, `{"type":"io.nats.jetstream.api.v1.consumer_create_response","stream_name":%q,"name":%q,"created":"2026-01-01T00:00:00Z","config":%s,"delivered":{},"ack_floor":{},"num_pending":0}`,
		stream, name, q.Config)
}

// deliverAll answers the first request of a consumer with all there is; it is asked for
// headers only.
func (s *session) deliverAll(takes time.Duration, name, consumer string, st *stream, reply string) {
	if s.served[consumer] {
		return
	}
	s.served[consumer] = true
	n := 0
	for seq := uint64(1); seq <= st.last; seq++ {
		m, ok := st.stored[seq]
		if !ok {
			continue
		}
		n++
		ack := fmt.Sprintf("$JS.ACK.%s.%s.1.%d.%d.%d.0", name, consumer, seq, n, m.at.UnixNano())
		h := m.header
		if h == nil {
			h = []byte("NATS/1.0\r\n\r\n")
		}
		s.deliverAs(takes, reply, m.subject, ack, h)
	}
}

// deliverAs delivers to the subscription of a subject what was published to another.
func (s *session) deliverAs(after time.Duration, to, subject, ack string, header []byte) {
	for sid, wanted := range s.subs {
		if wanted == to {
			s.send(after, fmt.Appendf(nil, "HMSG %s %s %s %d %d\r\n%s\r\n", subject, sid, ack, len(header), len(header), header))
		}
	}
}

// spoil does something bad to what the broker keeps, as happens while it is down.
func (b *broker) spoil(chance *rand.Rand) {
	b.mu.Lock()
	defer b.mu.Unlock()
	st := b.streams["BENCH_dock-3"]
	if st == nil {
		return
	}
	clear(st.ids) // it forgets them when it starts
	switch chance.IntN(4) {
	case 0:
		b.seen["broker: store lost"]++
		delete(b.streams, "BENCH_dock-3")
	case 1:
		b.seen["broker: store cut short"]++
		for n := chance.Uint64N(5); n > 0 && st.last > 0; n-- {
			delete(st.stored, st.last)
			st.last--
		}
	case 2:
		if st.last > 1 {
			b.seen["broker: message lost"]++
			delete(st.stored, 1+chance.Uint64N(st.last-1))
		}
	}
	delete(b.streams, "STATE_dock-3") // it is in memory
}

// records returns the messages of the bench's stream, in order.
func (b *broker) records(t testing.TB) (all []stored) {
	b.mu.Lock()
	defer b.mu.Unlock()
	st := b.streams["BENCH_dock-3"]
	if st == nil {
		t.Fatal("the broker has no stream")
	}
	for seq := uint64(1); seq <= st.last; seq++ {
		if m, ok := st.stored[seq]; ok {
			all = append(all, m)
		}
	}
	return all
}
