package main_test

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/textproto"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"thimbled/acquire/modbus"
)

// stormLoad is a load indicator on Modbus TCP that any number of daemons may ask:
// its force, in newtons, is in the first two input registers.
type stormLoad struct {
	address string
	force   atomic.Uint32
	silent  atomic.Bool // it takes requests and does not answer
	deaf    atomic.Bool // it takes connections and does not even read
	slow    atomic.Bool // it answers after half a poll, with the force of before
}

func newStormLoad(t testing.TB) *stormLoad {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	l := &stormLoad{address: listener.Addr().String()}
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go l.converse(conn)
		}
	}()
	return l
}

func (l *stormLoad) converse(conn net.Conn) {
	defer conn.Close()
	request := make([]byte, 12)
	for {
		for l.deaf.Load() {
			time.Sleep(10 * time.Millisecond)
		}
		if _, err := io.ReadFull(conn, request); err != nil {
			return
		}
		f, err := modbus.ParseMBAP(request)
		if err != nil {
			return
		}
		if l.silent.Load() || l.deaf.Load() {
			continue
		}
		pdu := binary.BigEndian.AppendUint32([]byte{byte(modbus.Input), 4}, l.force.Load())
		if l.slow.Load() {
			time.Sleep(10 * time.Millisecond)
		}
		if _, err := conn.Write(modbus.AppendMBAP(nil, f.Transaction, f.Unit, pdu)); err != nil {
			return
		}
	}
}

// pull plays pulls of a second and rests of a second and a half until it is stopped or
// the test ends: there is always something to be interrupted.
func (l *stormLoad) pull(t testing.TB) (stop func()) {
	done := make(chan struct{})
	var playing sync.WaitGroup
	stop = sync.OnceFunc(func() { close(done); playing.Wait() })
	t.Cleanup(stop)
	playing.Go(func() {
		for high := true; ; high = !high {
			long := 1500 * time.Millisecond
			l.force.Store(0)
			if high {
				l.force.Store(8000)
				long = time.Second
			}
			select {
			case <-done:
				return
			case <-time.After(long):
			}
		}
	})
	return stop
}

// stormBench is a bench that a test is unkind to.
type stormBench struct {
	load      *stormLoad
	dir       string // of the journal
	path      string // of the config
	nats, web string
	broker    string // its address where the broker runs elsewhere
}

const stormConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"

[[line]]
name = "wire"
kind = "tcp"
address = %q

[load]
line = "wire"
unit_id = 1
type = "uint32"
unit = "N"
every = "20 ms"
timeout = "200 ms"

[zero]
track_within = "0 N"

[journal]
dir = %q
min_free = "1 MiB"

[nats]
%s

[http]
listen = %q
`

// newStormBench writes the config of a bench. broker is where its broker runs;
// empty for the embedded one.
func newStormBench(t testing.TB, dir, broker string) *stormBench {
	t.Helper()
	b := &stormBench{
		load: newStormLoad(t), dir: filepath.Join(dir, "journal"), path: filepath.Join(t.TempDir(), "bench.toml"),
		nats: broker, web: reserve(t), broker: broker,
	}
	where := fmt.Sprintf("url = %q", "nats://"+broker)
	if broker == "" {
		b.nats = reserve(t)
		where = fmt.Sprintf("listen = %q", b.nats)
	}
	text := fmt.Sprintf(stormConfig, b.load.address, b.dir, where, b.web)
	if err := os.WriteFile(b.path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return b
}

// daemon starts the daemon; up waits until it answers.
func (b *stormBench) daemon(t testing.TB) *program { return start(t, "run", "--config", b.path) }

func (b *stormBench) up(t testing.TB) *program {
	t.Helper()
	p := b.daemon(t)
	b.answers(t)
	return p
}

// answers waits until the daemon answers to commands.
func (b *stormBench) answers(t testing.TB) {
	t.Helper()
	until(t, "the daemon to answer", func() bool {
		c, err := dialStorm(b.nats)
		if err != nil {
			return false
		}
		defer c.close()
		_, err = c.ask("status", "", time.Second)
		return err == nil
	})
}

// dial connects to the broker until the test ends.
func (b *stormBench) dial(t testing.TB) *stormClient {
	t.Helper()
	c, err := dialStorm(b.nats)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.close)
	return c
}

// record has the daemon record n commands and returns what each was by.
func (b *stormBench) record(t testing.TB, tag string, n int) []string {
	t.Helper()
	c := b.dial(t)
	var all []string
	for i := range n {
		by := fmt.Sprintf("%s-%d", tag, i)
		if _, err := c.ask("tare", tareBy(by, i), patience); err != nil {
			t.Fatalf("tare by %s: %v", by, err)
		}
		all = append(all, by)
	}
	return all
}

func tareBy(by string, i int) string { return fmt.Sprintf(`{"by":%q,"force":"%d N"}`, by, i%1000) }

// settled waits until the stream holds the whole journal, each record once, in
// order and unchanged, and returns the journal.
func (b *stormBench) settled(t testing.TB) []record {
	t.Helper()
	var lines []record
	n := dialNATS(t, b.nats)
	within(t, 2*patience, "the stream to hold the journal", func() bool {
		lines = journalOf(t, b.dir)
		return n.ask("$JS.API.STREAM.INFO.BENCH_dock-3", "").count() == len(lines)
	})
	messages := n.readable("BENCH_dock-3")
	if len(messages) != len(lines) {
		t.Fatalf("%d messages can be read, the journal has %d records", len(messages), len(lines))
	}
	for i, m := range messages {
		if id := m.header["ce-id"]; len(id) != 1 || id[0] != lines[i].ID || string(m.body) != string(lines[i].Data) {
			t.Fatalf("message %d is %v %s, the record is %s", i+1, m.header, m.body, lines[i].line)
		}
	}
	return lines
}

// readable reads every message of a stream by its sequence; not every sequence
// needs to have one.
func (n *rawNATS) readable(name string) (out []natsMessage) {
	n.t.Helper()
	var info struct {
		State struct {
			Last int `json:"last_seq"`
		} `json:"state"`
	}
	if err := json.Unmarshal(n.ask("$JS.API.STREAM.INFO."+name, "").body, &info); err != nil {
		n.t.Fatal(err)
	}
	for seq := 1; seq <= info.State.Last; seq++ {
		m := n.ask("$JS.API.DIRECT.GET."+name, fmt.Sprintf(`{"seq":%d}`, seq))
		switch status := m.header.Get("Status"); status {
		case "":
			out = append(out, m)
		case "404":
		default:
			n.t.Fatalf("sequence %d of %s: status %s", seq, name, status)
		}
	}
	return out
}

// count is how many messages a stream says it holds; -1 if it does not say.
func (m natsMessage) count() int {
	_, rest, found := strings.Cut(string(m.body), `"messages":`)
	digits, _, _ := strings.Cut(rest, ",")
	n, err := strconv.Atoi(digits)
	if err != nil || !found {
		return -1
	}
	return n
}

// stormClient is a NATS client that takes it as it comes when the broker dies.
type stormClient struct {
	conn net.Conn
	in   *bufio.Reader
	asks int
	seen []string // ids of the records that were heard of
}

var errRefused = errors.New("refused")

func dialStorm(address string) (*stormClient, error) {
	conn, err := net.DialTimeout("tcp", address, time.Second)
	if err != nil {
		return nil, err
	}
	c := &stormClient{conn: conn, in: bufio.NewReader(conn)}
	_, err = fmt.Fprintf(conn, "CONNECT {\"verbose\":false,\"headers\":true,\"no_responders\":true,\"lang\":\"test\",\"version\":\"1\",\"protocol\":1}\r\n"+
		"SUB _INBOX.storm.* 1\r\nSUB bench.dock-3.event.> 2\r\n")
	return c, err
}

func (c *stormClient) close() { c.conn.Close() }

// ask sends a command and returns its answer. What it hears meanwhile of records
// it keeps.
func (c *stormClient) ask(command, body string, patient time.Duration) (string, error) {
	c.asks++
	inbox := fmt.Sprintf("_INBOX.storm.%p-%d", c, c.asks)
	c.conn.SetDeadline(time.Now().Add(patient))
	if _, err := fmt.Fprintf(c.conn, "PUB bench.dock-3.ask.%s %s %d\r\n%s\r\n", command, inbox, len(body), body); err != nil {
		return "", err
	}
	for {
		subject, header, answer, err := c.next()
		switch {
		case err != nil:
			return "", err
		case subject == inbox && strings.Contains(header, " 503"), strings.Contains(header, "Nats-Service-Error"):
			return "", fmt.Errorf("%w: %s", errRefused, header)
		case subject == inbox:
			return answer, nil
		}
	}
}

func (c *stormClient) next() (subject, header, body string, err error) {
	for {
		line, err := c.in.ReadString('\n')
		if err != nil {
			return "", "", "", err
		}
		f := strings.Fields(line)
		switch {
		case len(f) == 0:
		case f[0] == "PING":
			if _, err := io.WriteString(c.conn, "PONG\r\n"); err != nil {
				return "", "", "", err
			}
		case f[0] == "MSG" || f[0] == "HMSG":
			return c.message(f)
		}
	}
}

func (c *stormClient) message(f []string) (subject, header, body string, err error) {
	total, err := strconv.Atoi(f[len(f)-1])
	if err != nil {
		return "", "", "", err
	}
	all := make([]byte, total+2)
	if _, err := io.ReadFull(c.in, all); err != nil {
		return "", "", "", err
	}
	all = all[:total]
	if f[0] == "HMSG" {
		length, err := strconv.Atoi(f[len(f)-2])
		if err != nil {
			return "", "", "", err
		}
		header, all = string(all[:length]), all[length:]
	}
	if strings.HasPrefix(f[1], "bench.dock-3.event.") {
		c.seen = append(c.seen, idOf(header))
	}
	return f[1], header, string(all), nil
}

func idOf(header string) string {
	_, rest, _ := strings.Cut(header, "\r\n")
	h, _ := textproto.NewReader(bufio.NewReader(strings.NewReader(rest))).ReadMIMEHeader()
	return h.Get("ce-id")
}

// buildBroker builds the NATS server of the module that the project embeds, as a
// program of its own.
var buildBroker = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "thimbled-broker-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "nats-server")
	out, err := exec.Command("go", "build", "-o", path, "github.com/nats-io/nats-server/v2").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return path, nil
})

// externalBroker starts a broker in a process of its own.
func externalBroker(t testing.TB, address, store string) *program {
	t.Helper()
	path, err := buildBroker()
	if err != nil {
		t.Skipf("no NATS server could be built; install the go tool: %v", err)
	}
	host, port, _ := net.SplitHostPort(address)
	p := &program{command: exec.Command(path, "-a", host, "-p", port, "-js", "-sd", store), out: &lockedBuffer{}}
	p.command.Stderr = p.out
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.command.Process.Kill()
		p.command.Wait()
	})
	until(t, "the broker", func() bool {
		conn, err := net.Dial("tcp", address)
		if err == nil {
			conn.Close()
		}
		return err == nil
	})
	return p
}

// kill kills the program with no chance to tidy up.
func (p *program) kill() {
	p.command.Process.Kill()
	p.command.Wait()
}
