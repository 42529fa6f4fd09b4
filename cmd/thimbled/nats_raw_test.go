package main_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/textproto"
	"strconv"
	"strings"
	"testing"
	"time"
)

// rawNATS speaks the NATS client protocol by itself (docs.nats.io, "Client
// Protocol": CONNECT, SUB, HPUB, MSG, HMSG), so that what the daemon publishes is
// read with a client that shares no code with it.
type rawNATS struct {
	t    testing.TB
	conn net.Conn
	in   *bufio.Reader
	subs int
}

// natsMessage is one message as it came.
type natsMessage struct {
	subject string
	header  textproto.MIMEHeader
	body    []byte
}

func dialNATS(t testing.TB, address string) *rawNATS {
	t.Helper()
	conn, err := net.DialTimeout("tcp", address, patience)
	if err != nil {
		t.Fatal(err)
	}
	n := &rawNATS{t: t, conn: conn, in: bufio.NewReader(conn)}
	t.Cleanup(func() { conn.Close() })
	n.send("CONNECT {\"verbose\":false,\"pedantic\":true,\"headers\":true,\"lang\":\"test\",\"version\":\"1\",\"protocol\":1}\r\nPING\r\n")
	for n.line() != "PONG" {
	}
	return n
}

func (n *rawNATS) send(format string, args ...any) {
	n.t.Helper()
	if _, err := fmt.Fprintf(n.conn, format, args...); err != nil {
		n.t.Fatal(err)
	}
}

func (n *rawNATS) line() string {
	n.t.Helper()
	n.conn.SetReadDeadline(time.Now().Add(patience))
	s, err := n.in.ReadString('\n')
	if err != nil {
		n.t.Fatalf("read from NATS: %v", err)
	}
	return strings.TrimRight(s, "\r\n")
}

func (n *rawNATS) subscribe(subject string) {
	n.t.Helper()
	n.subs++
	n.send("SUB %s %d\r\nPING\r\n", subject, n.subs)
	for n.line() != "PONG" {
	}
}

// next returns the next message of any subscription.
func (n *rawNATS) next() natsMessage {
	n.t.Helper()
	for {
		f := strings.Fields(n.line())
		switch {
		case len(f) == 0:
		case f[0] == "PING":
			n.send("PONG\r\n")
		case f[0] == "MSG":
			return natsMessage{subject: f[1], body: n.payload(f[len(f)-1])}
		case f[0] == "HMSG":
			return n.withHeader(f)
		case f[0] == "-ERR":
			n.t.Fatalf("NATS says %v", f)
		}
	}
}

func (n *rawNATS) payload(size string) []byte {
	n.t.Helper()
	length, err := strconv.Atoi(size)
	if err != nil {
		n.t.Fatal(err)
	}
	body := make([]byte, length+2) // with its line end
	if _, err := io.ReadFull(n.in, body); err != nil {
		n.t.Fatal(err)
	}
	return body[:length]
}

func (n *rawNATS) withHeader(f []string) natsMessage {
	n.t.Helper()
	headerLength, err := strconv.Atoi(f[len(f)-2])
	if err != nil {
		n.t.Fatal(err)
	}
	all := n.payload(f[len(f)-1])
	m := natsMessage{subject: f[1], header: textproto.MIMEHeader{}, body: all[headerLength:]}
	for _, line := range strings.Split(string(all[:headerLength]), "\r\n") {
		if key, value, ok := strings.Cut(line, ":"); ok {
			m.header[key] = append(m.header[key], strings.TrimSpace(value))
		}
	}
	if status := strings.Fields(strings.SplitN(string(all[:headerLength]), "\r\n", 2)[0]); len(status) > 1 {
		m.header["Status"] = status[1:2]
	}
	return m
}

// ask sends a request and returns its answer.
func (n *rawNATS) ask(subject, body string) natsMessage {
	n.t.Helper()
	n.subs++
	inbox := fmt.Sprintf("_INBOX.test%d.%d", time.Now().UnixNano(), n.subs)
	n.send("SUB %s %d\r\nUNSUB %d 1\r\nPUB %s %s %d\r\n%s\r\n", inbox, n.subs, n.subs, subject, inbox, len(body), body)
	for {
		if m := n.next(); m.subject == inbox {
			return m
		}
	}
}

// stream reads every message that a stream holds, by its sequence.
func (n *rawNATS) stream(name string) []natsMessage {
	n.t.Helper()
	var info struct {
		State struct {
			First int `json:"first_seq"`
			Last  int `json:"last_seq"`
		} `json:"state"`
	}
	if err := json.Unmarshal(n.ask("$JS.API.STREAM.INFO."+name, "").body, &info); err != nil {
		n.t.Fatal(err)
	}
	var out []natsMessage
	for seq := info.State.First; seq <= info.State.Last && seq > 0; seq++ {
		m := n.ask("$JS.API.DIRECT.GET."+name, fmt.Sprintf(`{"seq":%d}`, seq))
		if status := m.header.Get("Status"); status != "" {
			n.t.Fatalf("sequence %d of %s: status %s", seq, name, status)
		}
		out = append(out, m)
	}
	return out
}
