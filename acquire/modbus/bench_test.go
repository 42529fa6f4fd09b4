package modbus

import (
	"context"
	"net"
	"testing"
	"time"
)

// answering is a port whose slave answers each request at once with the same
// bytes but for the transaction, so that only the client is measured.
type answering struct {
	answer  []byte
	waiting []byte
}

func newAnswering() *answering {
	return &answering{answer: AppendMBAP(nil, 0, 1, answerPDU(benchRequest))}
}

func (p *answering) Write(b []byte) (int, error) {
	copy(p.answer, b[:2])
	p.waiting = p.answer
	return len(b), nil
}

func (p *answering) Read(b []byte) (int, error) {
	n := copy(b, p.waiting)
	p.waiting = p.waiting[n:]
	return n, nil
}

func (*answering) SetReadDeadline(time.Time) error { return nil }
func (*answering) Close() error                    { return nil }

var benchRequest = Request{Unit: 1, Table: Input, Count: 8}

// BenchmarkClient is the client's own part of a read.
func BenchmarkClient(b *testing.B) {
	benchClient(b, NewTCP(newAnswering(), Settings{}))
}

func benchClient(b *testing.B, c *Client) {
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := c.Read(ctx, benchRequest); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkTCP reads over the loopback from a server in the same process.
func BenchmarkTCP(b *testing.B) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	go serveTCP(b, l)
	conn, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		b.Fatal(err)
	}
	c := NewTCP(conn, Settings{Timeout: 5 * time.Second})
	defer c.Close()
	benchClient(b, c)
}

// silentUnit does not answer.
const silentUnit = 99

// serveTCP answers on the first connection until it closes.
func serveTCP(tb testing.TB, l net.Listener) {
	conn, err := l.Accept()
	if err != nil {
		return
	}
	defer conn.Close()
	request := make([]byte, 12)
	for {
		if _, err := conn.Read(request); err != nil {
			return
		}
		f, q := parseTCP(tb, request)
		if q.Unit == silentUnit {
			continue
		}
		if _, err := conn.Write(goodTCP(f, q)); err != nil {
			return
		}
	}
}

// TestAllocations pins what a read costs the collector: the frame and the PDU
// that the packager makes, and what the context's watch takes.
func TestAllocations(t *testing.T) {
	c := NewTCP(newAnswering(), Settings{})
	got := testing.AllocsPerRun(100, func() {
		if _, _, err := c.Read(context.Background(), benchRequest); err != nil {
			t.Fatal(err)
		}
	})
	if got > 2 {
		t.Errorf("%v allocations a read, want 2", got)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	watched := testing.AllocsPerRun(100, func() {
		if _, _, err := c.Read(ctx, benchRequest); err != nil {
			t.Fatal(err)
		}
	})
	if watched > 4 {
		t.Errorf("%v allocations a read that can be cancelled, want 4", watched)
	}
}
