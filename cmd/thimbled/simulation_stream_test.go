package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/textproto"
	"strconv"
	"strings"
	"testing"
	"time"
)

// arrive stores a message, unless something goes wrong.
func (s *session) arrive(name string, m stored, reply string) {
	takes := 200*time.Microsecond + time.Duration(s.chance.IntN(3_000_000))
	fault := 0
	if s.faulty && strings.HasPrefix(name, "BENCH") {
		fault = s.chance.IntN(60)
	}
	long := some(s.chance, 8*time.Second)
	switch fault {
	case 1:
		s.seen.add("broker: request lost")
		return
	case 2:
		s.seen.add("broker: acknowledgement lost")
		reply = ""
	case 3:
		s.seen.add("broker: acknowledgement late")
		takes += long
	case 4:
		s.seen.add("broker: gone after storing")
		defer s.end()
	case 5:
		s.seen.add("broker: request late")
		time.AfterFunc(long, func() {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.store(name, m, reply, takes)
		})
		return
	}
	s.store(name, m, reply, takes)
}

// store keeps a message and acknowledges it.
func (s *session) store(name string, m stored, reply string, takes time.Duration) {
	st, h := s.streams[name], headerOf(m.header)
	if st == nil {
		return // deleted since it was sent
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
	m.at = time.Now()
	st.stored[st.last] = m
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
		b.seen.add("broker: store lost")
		delete(b.streams, "BENCH_dock-3")
	case 1:
		b.seen.add("broker: store cut short")
		for n := chance.Uint64N(5); n > 0 && st.last > 0; n-- {
			delete(st.stored, st.last)
			st.last--
		}
	case 2:
		if st.last > 1 {
			b.seen.add("broker: message lost")
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
