package main_test

import (
	"bytes"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	main "thimbled/cmd/thimbled"
	"thimbled/publish"
)

// TestHostileClients has strangers do to a bench's ports what they can while it
// measures: hold connections open without a word or with half of one, send heads and
// bodies without end, garbage, and try passwords. Pulls are recorded as without them, and the
// page answers when they have gone.
func TestHostileClients(t *testing.T) {
	t.Parallel()
	b := startOpen(t, "127.0.0.1")
	before := len(b.recordsOf(t, "thimbled.pull.ended"))
	end := make(chan struct{})
	var hostile sync.WaitGroup
	for _, attack := range []func(*testing.T, *openBench, <-chan struct{}){silentConnections, halfHeads, endlessHeads, endlessBodies, garbage, guesses} {
		hostile.Go(func() { attack(t, b, end) })
	}
	until(t, "two pulls under attack", func() bool { return len(b.recordsOf(t, "thimbled.pull.ended")) >= before+2 })
	close(end)
	hostile.Wait()
	for _, r := range b.recordsOf(t, "thimbled.pull.ended")[before:] {
		if bytes.Contains(r.Data, []byte(`"gap`)) {
			t.Errorf("readings were lost: %s", r.Data)
		}
	}
	client := b.client(nil)
	until(t, "the page to answer", func() bool {
		answer, err := client.Do(b.request("GET", "/sign-in", ""))
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
	if log := b.daemon.out.String(); len(log) > 1<<20 {
		t.Errorf("the strangers had %d bytes of log written", len(log))
	}
	b.daemon.stop(t)
	audit(t, b.journal, 0, "is sound")
}

// hold keeps opening connections and says something on each, until end.
func hold(address string, many int, end <-chan struct{}, say func(net.Conn)) {
	var open []net.Conn
	defer func() {
		for _, c := range open {
			c.Close()
		}
	}()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-end:
			return
		case <-tick.C:
		}
		if len(open) == many {
			open[0].Close()
			open = open[1:]
		}
		conn, err := net.DialTimeout("tcp", address, time.Second)
		if err != nil {
			continue // refused, as it should be when there are many
		}
		conn.SetDeadline(time.Now().Add(patience))
		say(conn)
		open = append(open, conn)
	}
}

func silentConnections(_ *testing.T, b *openBench, end <-chan struct{}) {
	var both sync.WaitGroup
	for _, address := range []string{b.web, b.nats} {
		both.Go(func() { hold(address, 300, end, func(net.Conn) {}) })
	}
	both.Wait()
}

func (b *openBench) secured(conn net.Conn) net.Conn {
	return tls.Client(conn, &tls.Config{RootCAs: b.trust, ServerName: "127.0.0.1"})
}

func halfHeads(_ *testing.T, b *openBench, end <-chan struct{}) {
	hold(b.web, 50, end, func(conn net.Conn) {
		fmt.Fprintf(b.secured(conn), "GET /setup HTTP/1.1\r\nHost: %s\r\nX-Slow: ", b.web)
	})
}

func endlessHeads(_ *testing.T, b *openBench, end <-chan struct{}) {
	hold(b.web, 5, end, func(conn net.Conn) {
		fmt.Fprintf(b.secured(conn), "GET /setup HTTP/1.1\r\nHost: %s\r\nX-Long: %s", b.web, strings.Repeat("x", 1<<20))
	})
}

func endlessBodies(_ *testing.T, b *openBench, end <-chan struct{}) {
	hold(b.web, 5, end, func(conn net.Conn) {
		fmt.Fprintf(b.secured(conn), "POST /sign-in HTTP/1.1\r\nHost: %s\r\nOrigin: https://%s\r\nContent-Type: application/x-www-form-urlencoded\r\n"+
			"Content-Length: 1000000000\r\n\r\nname=%s", b.web, b.web, strings.Repeat("x", 1<<20))
	})
}

func garbage(_ *testing.T, b *openBench, end <-chan struct{}) {
	var both sync.WaitGroup
	for i, address := range []string{b.web, b.nats} {
		chance := rand.New(rand.NewPCG(uint64(i), 1))
		both.Go(func() {
			hold(address, 20, end, func(conn net.Conn) {
				text := make([]byte, 64<<10)
				for i := range text {
					text[i] = byte(chance.Uint32())
				}
				conn.Write(text)
			})
		})
	}
	both.Wait()
}

func guesses(t *testing.T, b *openBench, end <-chan struct{}) {
	client := b.client(nil)
	for {
		select {
		case <-end:
			return
		case <-time.After(20 * time.Millisecond):
		}
		r := b.request("GET", "/metrics", "")
		r.SetBasicAuth("viewer", "guess")
		answer, err := client.Do(r)
		if err != nil {
			continue
		}
		io.Copy(io.Discard, answer.Body)
		answer.Body.Close()
		if answer.StatusCode == http.StatusOK {
			t.Error("a guess was right")
		}
	}
}

// TestConnectionsAreCounted opens more connections than may be; when they are closed
// there is room again.
func TestConnectionsAreCounted(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	counted := main.NewCapped(l)
	accepted := make(chan net.Conn, 2*main.MostConnections)
	go func() {
		for {
			conn, err := counted.Accept()
			if err != nil {
				return
			}
			accepted <- conn
		}
	}()
	dial := func() net.Conn {
		conn, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	var let []net.Conn
	for range main.MostConnections {
		dial()
		let = append(let, <-accepted)
	}
	over := dial()
	over.SetReadDeadline(time.Now().Add(patience))
	if _, err := over.Read(make([]byte, 1)); err == nil || len(accepted) > 0 {
		t.Errorf("one too many was let in: %v", err)
	}
	let[0].Close()
	let[0].Close() // counts once
	dial()
	<-accepted
	over = dial()
	over.SetReadDeadline(time.Now().Add(patience))
	if _, err := over.Read(make([]byte, 1)); err == nil || len(accepted) > 0 {
		t.Errorf("one too many was let in after one had left: %v", err)
	}
}

// elsewhere is a listener on loopback that shows 127.0.0.k as 198.51.100.k, an address
// of a network for documentation (RFC 5737): loopback itself has no bound of its own.
type elsewhere struct{ net.Listener }

type fromElsewhere struct{ net.Conn }

func (l elsewhere) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return fromElsewhere{conn}, nil
}

func (c fromElsewhere) RemoteAddr() net.Addr {
	far := *c.Conn.RemoteAddr().(*net.TCPAddr)
	far.IP = net.IPv4(198, 51, 100, far.IP.To4()[3])
	return &far
}

// TestConnectionsOfOneAddress has one address open more connections than it may. Those
// over its bound are closed unanswered, another address is answered all the same, and who
// leaves makes room for the next of that address only.
func TestConnectionsOfOneAddress(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: http.NotFoundHandler()}
	t.Cleanup(func() { server.Close() })
	go server.Serve(main.NewCapped(elsewhere{l}))
	// answered keeps its connection open when it was answered on it.
	answered := func(from string) (net.Conn, bool) {
		t.Helper()
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
		conn, err := d.Dial("tcp4", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		conn.SetDeadline(time.Now().Add(patience))
		if _, err := io.WriteString(conn, "GET / HTTP/1.1\r\nHost: bench\r\n\r\n"); err != nil {
			return conn, false
		}
		first := make([]byte, len("HTTP/1.1 "))
		_, err = io.ReadFull(conn, first)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("%s is neither answered nor refused", from)
		}
		return conn, err == nil && string(first) == "HTTP/1.1 "
	}
	var held []net.Conn
	for range main.MostConnectionsFrom {
		conn, ok := answered("127.0.0.2")
		if !ok {
			t.Fatalf("connection %d of one address is not answered", len(held)+1)
		}
		held = append(held, conn)
	}
	for range 10 {
		if _, ok := answered("127.0.0.2"); ok {
			t.Fatal("one address has more connections than it may")
		}
	}
	for range main.MostConnectionsFrom {
		if _, ok := answered("127.0.0.3"); !ok {
			t.Fatal("another address is not answered")
		}
	}
	held[0].Close()
	until(t, "room for the address that left", func() bool { _, ok := answered("127.0.0.2"); return ok })
	for _, from := range []string{"127.0.0.2", "127.0.0.3"} {
		if _, ok := answered(from); ok {
			t.Errorf("%s has more connections than it may after one of the other had left", from)
		}
	}
}

// TestLogKeepsItsLines logs what a stranger may have written: it stays on its line.
func TestLogKeepsItsLines(t *testing.T) {
	var b bytes.Buffer
	main.NewLog(&b).Warn("config", "warning", "x\ntime=2026-01-01 level=ERROR msg=forged\r\x1b[2J\x00", "x\ny=z", "\u2028")
	text := b.String()
	if strings.Count(text, "\n") != 1 || strings.ContainsAny(strings.TrimSuffix(text, "\n"), "\r\n\x1b\x00") || strings.Contains(text, "\u2028") {
		t.Errorf("logged %q", text)
	}
}

// TestRolesInOrder checks that each role may what the one before it may, and that
// what is not known is an administrator's.
func TestRolesInOrder(t *testing.T) {
	if publish.RoleFor("new.command") != publish.Administer || len(publish.CommandsOf(publish.Nobody)) != 0 {
		t.Error("what is not in the table is open")
	}
	for _, role := range everyRole[1:] {
		if len(publish.CommandsOf(role)) <= len(publish.CommandsOf(role-1)) {
			t.Errorf("%s may no more than %s", role, role-1)
		}
	}
}
