package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
)

// clients are the two kinds over a line with a slave that answers well.
func clients(t *testing.T) map[string]func() (*Client, *line) {
	return map[string]func() (*Client, *line){
		"rtu": func() (*Client, *line) {
			l := newLine(func(b []byte) []piece { return once(turn, goodRTU(parseRTU(t, b))) })
			return rtuClient(l, testRTU), l
		},
		"tcp": func() (*Client, *line) {
			l := newLine(func(b []byte) []piece {
				f, q := parseTCP(t, b)
				return once(soon, goodTCP(f, q))
			})
			return NewTCP(l, testTCP), l
		},
	}
}

// each runs a test with each kind of client, in a bubble of its own time.
func each(t *testing.T, f func(t *testing.T, c *Client, l *line)) {
	for kind, connect := range clients(t) {
		t.Run(kind, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c, l := connect()
				f(t, c, l)
			})
		})
	}
}

func TestReadsEveryTable(t *testing.T) {
	each(t, func(t *testing.T, c *Client, l *line) {
		for _, table := range allTables {
			for _, count := range []uint16{1, 2, 7, 8, 9, 125} {
				if err := poll(t, c, Request{Unit: 9, Table: table, Address: 65535 - 124, Count: count}); err != nil {
					t.Error(err)
				}
			}
		}
		if err := poll(t, c, Request{Unit: 9, Table: Coils, Count: 2000}); err != nil {
			t.Error(err)
		}
		if n := c.Counters(); n != (Counters{Requests: uint64(len(l.written))}) {
			t.Errorf("counters are %+v", n)
		}
	})
}

// What cannot be asked is refused before anything is written. Limits: MODBUS
// Application Protocol V1.1b3, 6.1 to 6.4.
func TestRefusesRequests(t *testing.T) {
	each(t, func(t *testing.T, c *Client, l *line) {
		var bad []Request
		for function := range 256 {
			if function < 1 || function > 4 {
				bad = append(bad, Request{Unit: 1, Table: Table(function), Count: 1})
			}
		}
		bad = append(bad,
			Request{Unit: 1, Table: Input},
			Request{Unit: 1, Table: Input, Count: 126},
			Request{Unit: 1, Table: Coils, Count: 2001},
			Request{Unit: 1, Table: Holding, Address: 65535, Count: 2},
		)
		for _, q := range bad {
			if _, _, err := c.Read(t.Context(), q); err == nil {
				t.Errorf("%v was asked", q)
			}
		}
		if len(l.written) > 0 {
			t.Errorf("%d frames were written", len(l.written))
		}
	})
}

func TestBroadcastIsNotRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, l := clients(t)["rtu"]()
		if _, _, err := c.Read(t.Context(), Request{Table: Input, Count: 1}); err == nil || len(l.written) > 0 {
			t.Errorf("unit 0 gave %v", err)
		}
	})
}

// Cancelling ends a read that waits for an answer at once, and the next read
// works again.
func TestCancel(t *testing.T) {
	each(t, func(t *testing.T, c *Client, l *line) {
		q := Request{Unit: 1, Table: Input, Address: 5, Count: 2, Timeout: 10 * time.Second}
		if err := poll(t, c, q); err != nil {
			t.Fatal(err)
		}
		good := l.slave
		l.slave = nothing
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		start := time.Now()
		_, _, err := c.Read(ctx, q)
		if !errors.Is(err, context.DeadlineExceeded) || Lost(err) || time.Since(start) != 3*time.Second {
			t.Errorf("after %v: %v", time.Since(start), err)
		}
		if _, _, err := c.Read(ctx, q); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("with an ended context: %v", err)
		}
		l.slave = good
		if err := poll(t, c, q); err != nil {
			t.Errorf("after a cancelled read: %v", err)
		}
	})
}

// The same over a socket of the operating system.
func TestCancelSocket(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go serveTCP(t, l)
	conn, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	c := NewTCP(conn, Settings{Timeout: time.Minute})
	defer c.Close()
	if err := poll(t, c, Request{Unit: 1, Table: Input, Count: 1}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(20*time.Millisecond, cancel)
	if _, _, err := c.Read(ctx, Request{Unit: silentUnit, Table: Input, Count: 1}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if err := poll(t, c, Request{Unit: 1, Table: Input, Count: 1}); err != nil {
		t.Errorf("after a cancelled read: %v", err)
	}
}

// Cancelling also ends a wait in quarantine.
func TestCancelInQuarantine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, l := clients(t)["rtu"]()
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer cancel()
		start := time.Now()
		_, _, err := c.Read(ctx, Request{Unit: 1, Table: Input, Count: 1})
		if !errors.Is(err, context.DeadlineExceeded) || time.Since(start) != 50*time.Millisecond || len(l.written) > 0 {
			t.Errorf("after %v: %v", time.Since(start), err)
		}
	})
}

// Errors of a line that is gone, as ports and sockets give them.
var goneErrors = []error{
	io.EOF, io.ErrClosedPipe, os.ErrClosed, net.ErrClosed,
	syscall.EIO, syscall.ENXIO, syscall.ENODEV, syscall.EPIPE, syscall.ECONNRESET, syscall.ETIMEDOUT,
}

func TestGone(t *testing.T) {
	for _, gone := range goneErrors {
		each(t, func(t *testing.T, c *Client, l *line) {
			q := Request{Unit: 1, Table: Input, Count: 1}
			if err := poll(t, c, q); err != nil {
				t.Fatal(err)
			}
			l.slave = func([]byte) []piece {
				time.AfterFunc(soon, func() { l.fail(gone) })
				return nil
			}
			for range 3 {
				err := poll(t, c, q)
				if !errors.Is(err, ErrGone) || !errors.Is(err, gone) || !Lost(err) || Quality(err) != peak.Disconnected {
					t.Errorf("%v became %v", gone, err)
				}
			}
			if n := c.Counters(); n.Requests != 2 {
				t.Errorf("a lost client wrote on: %+v", n)
			}
		})
	}
}

func TestClose(t *testing.T) {
	each(t, func(t *testing.T, c *Client, _ *line) {
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
		if err := poll(t, c, Request{Unit: 1, Table: Input, Count: 1}); !errors.Is(err, ErrGone) {
			t.Error(err)
		}
	})
}

// moody is a port that breaks off reads for no reason, as signals and the
// interrupt of an earlier context do, and takes half of a request.
type moody struct {
	*line
	reads int
	half  bool
}

func (m *moody) Read(p []byte) (int, error) {
	m.reads++
	switch m.reads % 4 {
	case 0:
		return 0, syscall.EINTR
	case 1:
		_ = m.SetReadDeadline(longAgo)
		return 0, os.ErrDeadlineExceeded
	case 2:
		return 0, nil
	}
	return m.line.Read(p)
}

func (m *moody) Write(p []byte) (int, error) {
	if m.half {
		return len(p) / 2, nil
	}
	return m.line.Write(p)
}

func TestBrokenOffReadsGoOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, l := clients(t)["tcp"]()
		m := &moody{line: l}
		c := NewTCP(m, testTCP)
		for i := range uint16(10) {
			if err := poll(t, c, Request{Unit: 1, Table: Input, Address: i, Count: 1}); err != nil {
				t.Error(err)
			}
		}
		m.half = true
		if err := poll(t, c, Request{Unit: 1, Table: Input, Count: 1}); !errors.Is(err, io.ErrShortWrite) || !Lost(err) {
			t.Errorf("half a request written: %v", err)
		}
	})
}

func TestQuality(t *testing.T) {
	for _, c := range []struct {
		err  error
		want peak.Quality
	}{
		{nil, peak.Good},
		{fmt.Errorf("read: %w", ErrTimeout), peak.Timeout},
		{fmt.Errorf("read: %w: %w", ErrBroken, ErrTimeout), peak.Timeout},
		{fmt.Errorf("read: %w", errCollision), peak.Garbled},
		{fmt.Errorf("read: %w: %w", ErrBroken, ErrGarbled), peak.Garbled},
		{fmt.Errorf("read: %w", &Exception{4, 2}), peak.Refused},
		{&Exception{4, 6}, peak.Refused},
		{ErrGone, peak.Disconnected},
		{ErrBroken, peak.Disconnected},
		{context.Canceled, peak.Disconnected},
	} {
		if got := Quality(c.err); got != c.want {
			t.Errorf("%v is %q, want %q", c.err, got, c.want)
		}
	}
}

// Codes and words: MODBUS Application Protocol V1.1b3, 7.
func TestExceptions(t *testing.T) {
	for code, word := range map[byte]string{
		1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "server device failure",
		5: "acknowledge", 6: "server device busy", 8: "memory parity error",
		10: "gateway path unavailable", 11: "gateway target device failed to respond", 99: "not in the standard",
	} {
		e := &Exception{4, code}
		if !strings.Contains(e.Error(), word) {
			t.Errorf("code %d: %v", code, e)
		}
		if e.Busy() != (code == 5 || code == 6) || e.Unreachable() != (code == 10 || code == 11) {
			t.Errorf("code %d: busy %v, unreachable %v", code, e.Busy(), e.Unreachable())
		}
	}
}

// An error names what was asked, once.
func TestErrorText(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewTCP(newLine(nothing), testTCP)
		_, _, err := c.Read(t.Context(), Request{Unit: 3, Table: Input, Address: 7, Count: 2})
		if want := "read 2 input registers from 7 of unit 3: no answer within 100ms"; err == nil || err.Error() != want {
			t.Errorf("got %q, want %q", err, want)
		}
	})
}
