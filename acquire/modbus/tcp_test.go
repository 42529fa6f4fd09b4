package modbus

import (
	"bytes"
	"errors"
	"io"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// goodTCP is the right answer to a frame.
func goodTCP(f Frame, q Request) []byte { return AppendMBAP(nil, f.Transaction, f.Unit, answerPDU(q)) }

func parseTCP(t testing.TB, request []byte) (Frame, Request) {
	t.Helper()
	f, err := ParseMBAP(request)
	if err != nil || f.Size != len(request) {
		t.Fatalf("the server got % x: %v", request, err)
	}
	q, err := ParseRequest(f.Unit, f.PDU)
	if err != nil {
		t.Fatalf("the server got % x: %v", request, err)
	}
	return f, q
}

// soon is when a server answers in time.
const soon = 2 * time.Millisecond

// tcpFault is what a server does with one request.
type tcpFault struct {
	name string
	does func(l *line, f Frame, q Request, good []byte) []piece
	want error // of that request
	lost bool  // the connection is given up, then or later
}

var tcpFaults = []tcpFault{
	{"late while idle", func(_ *line, _ Frame, _ Request, good []byte) []piece { return once(101*time.Millisecond, good) }, ErrTimeout, false},
	{"late during the next", func(_ *line, _ Frame, _ Request, good []byte) []piece { return once(102*time.Millisecond, good) }, ErrTimeout, false},
	{"silent", func(*line, Frame, Request, []byte) []piece { return nil }, ErrTimeout, false},
	{"byte by byte", func(_ *line, _ Frame, _ Request, good []byte) []piece { return paced(soon, 5*time.Millisecond, good) }, nil, false},
	{"byte by byte, beyond the time", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		return paced(soon, 9*time.Millisecond, good)
	}, ErrGarbled, true},
	{"cut in the header", func(_ *line, _ Frame, _ Request, good []byte) []piece { return once(soon, good[:4]) }, ErrGarbled, true},
	{"cut in the data", func(_ *line, _ Frame, _ Request, good []byte) []piece { return once(soon, good[:11]) }, ErrGarbled, true},
	{"wrong count", func(_ *line, f Frame, q Request, _ []byte) []piece {
		q.Count--
		return once(soon, goodTCP(f, q))
	}, ErrGarbled, false},
	{"byte count differs from the length", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		good[8] = 2
		return once(soon, good)
	}, ErrGarbled, false},
	{"other function", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		good[7] = 3
		return once(soon, good)
	}, ErrGarbled, false},
	{"exception of another function", func(_ *line, f Frame, _ Request, _ []byte) []piece {
		return once(soon, AppendMBAP(nil, f.Transaction, f.Unit, []byte{0x83, 2}))
	}, ErrGarbled, false},
	{"exception without a code", func(_ *line, f Frame, _ Request, _ []byte) []piece {
		return once(soon, AppendMBAP(nil, f.Transaction, f.Unit, []byte{0x84}))
	}, ErrGarbled, false},
	{"foreign unit", func(_ *line, f Frame, q Request, _ []byte) []piece {
		f.Unit++
		return once(soon, goodTCP(f, q))
	}, ErrGarbled, false},
	{"only another transaction", func(_ *line, f Frame, q Request, _ []byte) []piece {
		f.Transaction += 0x100
		return once(soon, goodTCP(f, q))
	}, ErrTimeout, true},
	{"another transaction first", func(_ *line, f Frame, q Request, good []byte) []piece {
		f.Transaction--
		return once(soon, goodTCP(f, q), good)
	}, nil, false},
	{"answered twice", func(_ *line, _ Frame, _ Request, good []byte) []piece { return once(soon, good, good) }, nil, false},
	{"other protocol", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		good[3] = 1
		return once(soon, good)
	}, ErrGarbled, true},
	{"length too long", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		good[4] = 1
		return once(soon, good)
	}, ErrGarbled, true},
	{"length 0", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		good[5] = 0
		return once(soon, good)
	}, ErrGarbled, true},
	{"noise behind the answer", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		return once(soon, good, []byte{0xAA, 0xBB, 0xCC, 0xDD})
	}, ErrGarbled, true},
	{"a byte short, made up by a frame behind", func(_ *line, f Frame, q Request, good []byte) []piece {
		f.Transaction++
		return once(soon, good[:len(good)-1], goodTCP(f, q))
	}, ErrGarbled, true},
	{"a byte too many", func(_ *line, _ Frame, _ Request, good []byte) []piece {
		return once(soon, good[:10], good[9:])
	}, ErrGarbled, true},
	{"closed", func(l *line, _ Frame, _ Request, _ []byte) []piece {
		time.AfterFunc(soon, func() { l.fail(io.EOF) })
		return nil
	}, ErrGone, true},
	{"closed in the answer", func(l *line, _ Frame, _ Request, good []byte) []piece {
		time.AfterFunc(2*soon, func() { l.fail(io.EOF) })
		return once(soon, good[:9])
	}, ErrGone, true},
	{"closed behind the answer", func(l *line, _ Frame, _ Request, good []byte) []piece {
		time.AfterFunc(soon, func() { l.deliver(good); l.fail(io.EOF) })
		return nil
	}, nil, true},
}

// TestTCPFaults lets each fault happen to the third of ten requests. A client
// that is lost is replaced, as a poller does.
func TestTCPFaults(t *testing.T) {
	for _, f := range tcpFaults {
		t.Run(f.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { runTCPFault(t, f) })
		})
	}
}

func runTCPFault(t *testing.T, f tcpFault) {
	asked, lines := 0, 0
	connect := func() *Client {
		lines++
		l := newLine(nil)
		l.slave = func(request []byte) []piece {
			frame, q := parseTCP(t, request)
			asked++
			if asked == 3 {
				return f.does(l, frame, q, goodTCP(frame, q))
			}
			return once(soon, goodTCP(frame, q))
		}
		return NewTCP(l, testTCP)
	}
	c := connect()
	bad := 0
	for i := range uint16(10) {
		err := poll(t, c, Request{Unit: 1, Table: Input, Address: 10 * i, Count: 2})
		if i == 2 && !errors.Is(err, f.want) {
			t.Errorf("the faulty request: %v, want %v", err, f.want)
		}
		if i != 2 && err != nil {
			bad++
		}
		if Lost(err) {
			if again := poll(t, c, Request{Unit: 1, Table: Input, Count: 2}); !Lost(again) {
				t.Errorf("a lost client gave %v", again)
			}
			c = connect()
		}
		if f.name == "late while idle" {
			time.Sleep(10 * time.Millisecond)
		}
	}
	if want := 1; f.lost && lines != 1+want || !f.lost && lines != 1 {
		t.Errorf("%d connections were needed", lines)
	}
	if most := 1; bad > most || bad > 0 && f.want != nil {
		t.Errorf("%d other requests failed", bad)
	}
}

// Transaction identifiers go round after 65536 requests.
func TestTransactionsGoRound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine(func(request []byte) []piece {
			f, q := parseTCP(t, request)
			return once(0, goodTCP(f, q))
		})
		c := NewTCP(l, testTCP)
		for i := range 1<<16 + 10 {
			if err := poll(t, c, Request{Unit: 1, Table: Input, Address: uint16(i % 1000), Count: 1}); err != nil {
				t.Fatalf("request %d: %v", i, err)
			}
			l.written = nil
		}
	})
}

func TestTCPException(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine(func(request []byte) []piece {
			f, _ := parseTCP(t, request)
			return paced(soon, soon, AppendMBAP(nil, f.Transaction, f.Unit, []byte{0x84, 11}))
		})
		c := NewTCP(l, testTCP)
		for range 3 {
			err := poll(t, c, Request{Unit: 0, Table: Input, Count: 1})
			var e *Exception
			if !errors.As(err, &e) || !e.Unreachable() || e.Busy() || Lost(err) {
				t.Errorf("exception 11: %v", err)
			}
		}
	})
}

// What came for one request stays for the next, also in the middle of a frame.
func TestLateAnswerInPiecesIsSkipped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var first []byte
		l := newLine(func(request []byte) []piece {
			f, q := parseTCP(t, request)
			good := goodTCP(f, q)
			if first == nil {
				first = good
				return nil
			}
			return paced(soon, soon, slices.Concat(first, good))
		})
		c := NewTCP(l, testTCP)
		if err := poll(t, c, Request{Unit: 1, Table: Input, Address: 1, Count: 2}); !errors.Is(err, ErrTimeout) || Lost(err) {
			t.Error(err)
		}
		if err := poll(t, c, Request{Unit: 1, Table: Input, Address: 2, Count: 2}); err != nil {
			t.Error(err)
		}
		if n := c.Counters(); n.Foreign != 1 || n.StrayBytes != uint64(len(first)) {
			t.Errorf("counters are %+v", n)
		}
		if !bytes.Equal(first[:2], []byte{0, 1}) {
			t.Errorf("the first transaction is % x", first[:2])
		}
	})
}
