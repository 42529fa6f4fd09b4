package modbus

import (
	"bytes"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// fault is what a slave does with one request instead of answering it well.
type fault struct {
	name  string
	does  func(q Request, request, good []byte) []piece
	want  error // of the request it happens to; nil when the value is right
	stray uint64
	slow  bool // leads to a quarantine
}

func once(after time.Duration, parts ...[]byte) []piece {
	return []piece{{after, slices.Concat(parts...)}}
}

var noise = []byte{0x00, 0xFF, 0x55}

// The faults that serial lines are reported to have. What comes late comes
// within WorstAnswer of the line, 400 ms.
var rtuFaults = []fault{
	{"late while idle", func(_ Request, _, good []byte) []piece { return once(150*time.Millisecond, good) }, ErrTimeout, 9, true},
	{"late, at the last moment", func(_ Request, _, good []byte) []piece { return once(405*time.Millisecond, good) }, ErrTimeout, 9, true},
	{"late, byte by byte", func(_ Request, _, good []byte) []piece {
		return paced(300*time.Millisecond, 12*time.Millisecond, good)
	}, ErrTimeout, 9, true},
	{"late exception", func(q Request, _, _ []byte) []piece {
		return once(200*time.Millisecond, exceptionOf(q, 2))
	}, ErrTimeout, 5, true},
	{"silent", func(Request, []byte, []byte) []piece { return nil }, ErrTimeout, 0, true},
	{"a byte every 5 ms", func(_ Request, _, good []byte) []piece { return paced(turn, 5*time.Millisecond, good) }, nil, 0, false},
	{"a byte every 5 ms, beyond the time", func(_ Request, _, good []byte) []piece {
		return paced(90*time.Millisecond, 5*time.Millisecond, good)
	}, ErrGarbled, 9, true},
	{"cut short", func(_ Request, _, good []byte) []piece { return once(turn, good[:5]) }, ErrGarbled, 5, true},
	{"in two halves", func(_ Request, _, good []byte) []piece {
		return append(once(turn, good[:4]), once(turn+40*time.Millisecond, good[4:])...)
	}, nil, 0, false},
	{"wrong check", func(_ Request, _, good []byte) []piece { return once(turn, flip(good, 4)) }, ErrGarbled, 9, true},
	{"leading noise", func(_ Request, _, good []byte) []piece { return once(turn, noise, good) }, nil, 3, false},
	{"leading noise like a frame", func(_ Request, _, good []byte) []piece {
		return once(turn, good[:3], good[:1], good)
	}, nil, 4, false},
	{"an extra byte", func(_ Request, _, good []byte) []piece { return once(turn, good, noise[:1]) }, nil, 1, false},
	{"an extra byte a little later", func(_ Request, _, good []byte) []piece {
		return append(once(turn, good), once(turn+testChar, noise[:1])...)
	}, nil, 1, false},
	{"answered twice", func(_ Request, _, good []byte) []piece { return once(turn, good, good) }, nil, 9, true},
	{"answered twice, byte by byte", func(_ Request, _, good []byte) []piece {
		return paced(turn, testChar, slices.Concat(good, good))
	}, nil, 9, true},
	{"glued to another unit's answer", func(q Request, _, good []byte) []piece {
		q.Unit++
		return once(turn, goodRTU(q), good)
	}, nil, 9, false},
	{"3 registers for 2", func(q Request, _, _ []byte) []piece {
		q.Count++
		return once(turn, goodRTU(q))
	}, ErrGarbled, 11, true},
	{"1 register for 2", func(q Request, _, _ []byte) []piece {
		q.Count--
		return once(turn, goodRTU(q))
	}, ErrGarbled, 7, true},
	{"all zeros", func(_ Request, _, good []byte) []piece { return once(turn, make([]byte, len(good))) }, ErrGarbled, 9, true},
	{"foreign unit", func(q Request, _, _ []byte) []piece {
		q.Unit++
		return once(turn, goodRTU(q))
	}, ErrGarbled, 9, true},
	{"foreign function", func(q Request, _, _ []byte) []piece {
		q.Table = Holding
		return once(turn, goodRTU(q))
	}, ErrGarbled, 9, true},
	{"4 bytes with a right check", func(q Request, _, _ []byte) []piece {
		return once(turn, AppendRTU(nil, q.Unit, []byte{byte(q.Table)}))
	}, ErrGarbled, 4, true},
	{"only an echo", func(_ Request, request, _ []byte) []piece { return once(0, request) }, ErrTimeout, 0, true},
}

func exceptionOf(q Request, code byte) []byte {
	return AppendRTU(nil, q.Unit, []byte{byte(q.Table) | exceptionFlag, code})
}

func flip(frame []byte, at int) []byte {
	frame = bytes.Clone(frame)
	frame[at] ^= 0x10
	return frame
}

// TestFaults lets each fault happen to the third of eight requests for other
// registers of the same length, polled without a pause.
func TestFaults(t *testing.T) {
	for _, f := range rtuFaults {
		t.Run(f.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { runFault(t, f, testRTU) })
		})
	}
}

func runFault(t *testing.T, f fault, s Settings) {
	asked := 0
	l := newLine(func(request []byte) []piece {
		q := parseRTU(t, request)
		asked++
		if asked == 3 {
			return f.does(q, request, goodRTU(q))
		}
		return once(turn, goodRTU(q))
	})
	c := rtuClient(l, s)
	var failed []error
	for i := range uint16(8) {
		err := poll(t, c, Request{Unit: 7, Table: Input, Address: 100 * i, Count: 2})
		if (err != nil) != (i == 2 && f.want != nil) {
			t.Errorf("request %d: %v", i, err)
		}
		if err != nil {
			failed = append(failed, err)
		}
	}
	if f.want != nil && (len(failed) != 1 || !errors.Is(failed[0], f.want)) {
		t.Errorf("errors are %v, want one %v", failed, f.want)
	}
	time.Sleep(time.Second)
	n := c.Counters()
	if n.StrayBytes != f.stray || (n.Quarantines > 0) != f.slow || n.Requests != 8 {
		t.Errorf("counters are %+v", n)
	}
}

// An exception is found whole however it comes.
func TestExceptionInPieces(t *testing.T) {
	for cut := range 5 {
		synctest.Test(t, func(t *testing.T) {
			l := newLine(func(request []byte) []piece {
				e := exceptionOf(parseRTU(t, request), 2)
				return append(once(turn, e[:cut]), once(turn+30*time.Millisecond, e[cut:])...)
			})
			c := rtuClient(l, testRTU)
			for i := range uint16(3) {
				err := poll(t, c, Request{Unit: 1, Table: Holding, Address: i, Count: 4})
				var e *Exception
				if !errors.As(err, &e) || e.Code != 2 || e.Function != 3 {
					t.Errorf("cut at %d: %v", cut, err)
				}
			}
			if n := c.Counters(); n.Exceptions != 3 || n.Quarantines != 0 || n.StrayBytes != 0 {
				t.Errorf("cut at %d: counters are %+v", cut, n)
			}
		})
	}
}

// TestLateDuringLater has every answer come after its time: none may be taken
// for that to the next request, and none may be accepted at all.
func TestLateDuringLater(t *testing.T) {
	for _, late := range []time.Duration{101, 130, 200, 300, 399} {
		synctest.Test(t, func(t *testing.T) {
			l := newLine(func(request []byte) []piece {
				return once(late*time.Millisecond+17*testChar, goodRTU(parseRTU(t, request)))
			})
			c := rtuClient(l, testRTU)
			for i := range uint16(20) {
				err := poll(t, c, Request{Unit: 1, Table: Input, Address: i, Count: 2})
				if !errors.Is(err, ErrTimeout) {
					t.Errorf("answers %d ms late: %v", late, err)
				}
			}
		})
	}
}

// A late answer that is the one that is owed, whole and alone, ends the
// quarantine; anything else does not.
func TestQuarantineEndsEarly(t *testing.T) {
	for name, c := range map[string]struct {
		comes func(good []byte) []byte
		early bool
	}{
		"the owed answer":              {func(good []byte) []byte { return good }, true},
		"with a byte behind it":        {func(good []byte) []byte { return append(good, 0) }, false},
		"with a byte before it":        {func(good []byte) []byte { return append([]byte{0}, good...) }, false},
		"twice":                        {func(good []byte) []byte { return append(good, good...) }, false},
		"cut short":                    {func(good []byte) []byte { return good[:7] }, false},
		"another length, right check":  {func(good []byte) []byte { return AppendRTU(nil, good[0], []byte{4, 2, 1, 2}) }, false},
		"another unit with this check": {func(good []byte) []byte { return AppendRTU(nil, good[0]+1, good[1:7]) }, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var sent []time.Time
				l := newLine(func(request []byte) []piece {
					sent = append(sent, time.Now())
					good := goodRTU(parseRTU(t, request))
					if len(sent) == 1 {
						return once(150*time.Millisecond, c.comes(good))
					}
					return once(turn, good)
				})
				client := rtuClient(l, testRTU)
				if err := poll(t, client, Request{Unit: 1, Table: Input, Address: 1, Count: 2}); !errors.Is(err, ErrTimeout) {
					t.Fatal(err)
				}
				if err := poll(t, client, Request{Unit: 1, Table: Input, Address: 2, Count: 2}); err != nil {
					t.Fatal(err)
				}
				waited := sent[1].Sub(sent[0])
				if early := waited < 160*time.Millisecond; early != c.early {
					t.Errorf("the next request came after %v", waited)
				}
				if whole := testRTU.WorstAnswer + 17*testChar; !c.early && waited < whole {
					t.Errorf("the next request came after %v, before %v", waited, whole)
				}
			})
		})
	}
}

// When something came in the failed exchange it may have been the answer, so
// nothing that comes later is known to be the last.
func TestQuarantineStaysAfterSomethingCame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var sent []time.Time
		l := newLine(func(request []byte) []piece {
			sent = append(sent, time.Now())
			good := goodRTU(parseRTU(t, request))
			if len(sent) == 1 {
				return append(once(turn, flip(good, 4)), once(150*time.Millisecond, good)...)
			}
			return once(turn, good)
		})
		c := rtuClient(l, testRTU)
		if err := poll(t, c, Request{Unit: 1, Table: Input, Address: 1, Count: 2}); !errors.Is(err, ErrGarbled) {
			t.Fatal(err)
		}
		if err := poll(t, c, Request{Unit: 1, Table: Input, Address: 2, Count: 2}); err != nil {
			t.Fatal(err)
		}
		if waited := sent[1].Sub(sent[0]); waited < testRTU.WorstAnswer {
			t.Errorf("the next request came after %v", waited)
		}
	})
}

// A new client may find an answer to whoever used the line before.
func TestNewClientWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine(func(request []byte) []piece { return once(turn, goodRTU(parseRTU(t, request))) })
		start := time.Now()
		stale := goodRTU(Request{Unit: 1, Table: Input, Address: 50, Count: 2})
		time.AfterFunc(395*time.Millisecond, func() { l.deliver(stale) })
		c := rtuClient(l, testRTU)
		_, at, err := c.Read(t.Context(), Request{Unit: 1, Table: Input, Address: 1, Count: 2})
		if err != nil || at.Asked.Sub(start) < testRTU.WorstAnswer {
			t.Errorf("asked after %v, %v", at.Asked.Sub(start), err)
		}
	})
}

// Before each request the line is silent for t3.5, counted from the last byte
// in either direction.
func TestSilenceBeforeRequests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var last time.Time
		l := newLine(nil)
		l.slave = func(request []byte) []piece {
			if quiet := time.Since(last); quiet < testRTU.Silence {
				t.Errorf("asked after %v of silence", quiet)
			}
			pieces := paced(turn, testChar, append(goodRTU(parseRTU(t, request)), 0xFF))
			last = time.Now().Add(pieces[len(pieces)-1].after)
			return pieces
		}
		c := rtuClient(l, testRTU)
		for i := range uint16(50) {
			if err := poll(t, c, Request{Unit: 1, Table: Input, Address: i, Count: 1 + i%3}); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// A line that is never silent fails each call in bounded time, and works again
// once it is.
func TestBabble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine(func(request []byte) []piece { return once(turn, goodRTU(parseRTU(t, request))) })
		c := rtuClient(l, testRTU)
		q := Request{Unit: 0x55, Table: Input, Address: 1, Count: 2}
		if err := poll(t, c, q); err != nil {
			t.Fatal(err)
		}
		babbling := time.NewTicker(testChar)
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			junk := []byte{0x55, 4, 4, 0x55, 0x84, 2, 0x55, 0, 0}
			for i := range 5000 {
				<-babbling.C
				l.deliver(junk[i%len(junk):][:1])
			}
		}()
		time.Sleep(time.Millisecond)
		for range 4 {
			start := time.Now()
			if err := poll(t, c, q); !errors.Is(err, ErrGarbled) {
				t.Errorf("babble: %v", err)
			}
			if took := time.Since(start); took > testRTU.WorstAnswer+2*testRTU.Timeout {
				t.Errorf("babble held the call for %v", took)
			}
		}
		<-ended
		if err := poll(t, c, q); err != nil {
			t.Errorf("after the babble: %v", err)
		}
	})
}

// A flood that fills the buffer within the time fails at once.
func TestFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		flood := true
		l := newLine(func(request []byte) []piece {
			if flood {
				return once(turn, bytes.Repeat([]byte{1, 4}, 4000))
			}
			return once(turn, goodRTU(parseRTU(t, request)))
		})
		c := rtuClient(l, testRTU)
		q := Request{Unit: 1, Table: Input, Address: 1, Count: 2}
		if err := poll(t, c, q); !errors.Is(err, errBabble) {
			t.Errorf("flood: %v", err)
		}
		flood = false
		if err := poll(t, c, q); err != nil {
			t.Errorf("after the flood: %v", err)
		}
	})
}
