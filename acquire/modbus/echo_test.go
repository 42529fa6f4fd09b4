package modbus

import (
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

func withEcho(e Echo) Settings {
	s := testRTU
	s.Echo = e
	return s
}

// echoing makes an adapter repeat each request at once before the slave answers.
func echoing(slave func(request []byte) []piece) func(request []byte) []piece {
	return func(request []byte) []piece {
		return append(once(0, slices.Clone(request)), slave(request)...)
	}
}

func TestEcho(t *testing.T) {
	good := func(request []byte) []piece { return once(turn, goodRTU(mustParse(request))) }
	for name, c := range map[string]struct {
		mode  Echo
		slave func(request []byte) []piece
		want  error
		seen  bool
	}{
		"auto, none":      {EchoAuto, good, nil, false},
		"auto, echo":      {EchoAuto, echoing(good), nil, true},
		"on, none":        {EchoOn, good, errCollision, false},
		"on, echo":        {EchoOn, echoing(good), nil, true},
		"off, none":       {EchoOff, good, nil, false},
		"off, echo":       {EchoOff, echoing(good), errEcho, false},
		"auto, in bytes":  {EchoAuto, inBytes(echoing(good)), nil, true},
		"on, in bytes":    {EchoOn, inBytes(echoing(good)), nil, true},
		"off, in bytes":   {EchoOff, inBytes(echoing(good)), errEcho, false},
		"on, no answer":   {EchoOn, echoing(nothing), ErrTimeout, false},
		"auto, no answer": {EchoAuto, echoing(nothing), ErrTimeout, false},
		"on, nothing":     {EchoOn, nothing, ErrTimeout, false},
		"on, half":        {EchoOn, func(b []byte) []piece { return once(0, b[:5]) }, ErrGarbled, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c1 := rtuClient(newLine(c.slave), withEcho(c.mode))
				for i := range uint16(6) {
					err := poll(t, c1, Request{Unit: 3, Table: Input, Address: i, Count: 2})
					if !errors.Is(err, c.want) {
						t.Errorf("request %d: %v, want %v", i, err, c.want)
					}
				}
				if c1.EchoSeen() != c.seen {
					t.Errorf("echo seen: %v", c1.EchoSeen())
				}
				if n := c1.Counters(); c.seen && (n.Echoes != 6 || n.StrayBytes != 0) {
					t.Errorf("counters are %+v", n)
				}
			})
		})
	}
}

func nothing([]byte) []piece { return nil }

func mustParse(frame []byte) Request {
	unit, pdu, err := CheckRTU(frame)
	if err != nil {
		panic(err)
	}
	q, err := ParseRequest(unit, pdu)
	if err != nil {
		panic(err)
	}
	return q
}

// inBytes delivers each piece a byte at a time.
func inBytes(slave func([]byte) []piece) func([]byte) []piece {
	return func(request []byte) []piece {
		var pieces []piece
		for _, p := range slave(request) {
			pieces = append(pieces, paced(p.after+testChar, testChar/2, p.bytes)...)
		}
		return pieces
	}
}

// An adapter that echoes and a slave that answers late, for each setting: the
// late answer to one request may not be taken for that to the next.
func TestEchoWithLateAnswers(t *testing.T) {
	for _, mode := range []Echo{EchoAuto, EchoOn, EchoOff} {
		for _, late := range []time.Duration{5, 20, 60, 110, 250, 400} {
			synctest.Test(t, func(t *testing.T) {
				asked := 0
				l := newLine(echoing(func(request []byte) []piece {
					asked++
					after := turn
					if asked%3 == 1 {
						after = late * time.Millisecond
					}
					return once(after, goodRTU(parseRTU(t, request)))
				}))
				c := rtuClient(l, withEcho(mode))
				good := 0
				for i := range uint16(30) {
					if poll(t, c, Request{Unit: 1, Table: Input, Address: 7 * i, Count: 2}) == nil {
						good++
					}
				}
				if mode == EchoOff && good != 0 || mode != EchoOff && good < 20 {
					t.Errorf("mode %d, %d ms: %d good", mode, late, good)
				}
			})
		}
	}
}

// Once an echo is known, one that differs from the request means that two sent
// at once.
func TestCollision(t *testing.T) {
	for _, mode := range []Echo{EchoAuto, EchoOn} {
		synctest.Test(t, func(t *testing.T) {
			asked := 0
			l := newLine(func(request []byte) []piece {
				asked++
				echo := slices.Clone(request)
				if asked == 4 {
					echo[5] ^= 0x10
				}
				return append(once(0, echo), once(turn, goodRTU(parseRTU(t, request)))...)
			})
			c := rtuClient(l, withEcho(mode))
			for i := range uint16(8) {
				err := poll(t, c, Request{Unit: 1, Table: Input, Address: i, Count: 2})
				if collided := errors.Is(err, errCollision); collided != (i == 3) || !collided && err != nil {
					t.Errorf("mode %d, request %d: %v", mode, i, err)
				}
			}
		})
	}
}

// A frame with a right check followed by zeros has a right check as well, so an
// echo and some zero bytes of noise can have the length, the count and the check
// of an answer; and an answer of three bytes of bits can be the request itself.
// None of these is an answer.
func TestEchoesThatLookLikeAnswers(t *testing.T) {
	for name, c := range map[string]struct {
		q     Request
		noise int
	}{
		"registers, 1 zero":  {Request{Unit: 1, Table: Input, Address: 0x0400, Count: 2}, 1},
		"registers, 3 zeros": {Request{Unit: 1, Table: Input, Address: 0x0601, Count: 3}, 3},
		"bits, no zero":      {Request{Unit: 1, Table: Coils, Address: 0x0312, Count: 20}, 0},
		"bits, 2 zeros":      {Request{Unit: 1, Table: Coils, Address: 0x0512, Count: 40}, 2},
	} {
		for _, mode := range []Echo{EchoAuto, EchoOn, EchoOff} {
			synctest.Test(t, func(t *testing.T) {
				frame := slices.Concat(requestFrame(c.q), make([]byte, c.noise))
				if _, _, err := CheckRTU(frame); err != nil || frameSize(frame) != len(frame) {
					t.Fatalf("%s: the frame does not look like an answer: % x, %v", name, frame, err)
				}
				l := newLine(echoing(func([]byte) []piece { return once(testChar, frame[8:]) }))
				client := rtuClient(l, withEcho(mode))
				for range 3 {
					if poll(t, client, c.q) == nil {
						t.Errorf("%s, mode %d: accepted", name, mode)
					}
				}
			})
		}
	}
}

// The first seven bytes of this echo are a whole answer of one register, by its
// count and check; the eighth comes later.
func TestEchoWhoseHeadLooksLikeAnAnswer(t *testing.T) {
	q, found := Request{Unit: 1, Table: Input, Count: 1}, false
	for unit := 1; unit < 256 && !found; unit++ {
		for low := range 256 {
			q.Unit, q.Address = byte(unit), 0x0200|uint16(low)
			if _, _, err := CheckRTU(requestFrame(q)[:7]); err == nil {
				found = true
				break
			}
		}
	}
	if !found {
		t.Fatal("there is no such request")
	}
	for _, mode := range []Echo{EchoAuto, EchoOn, EchoOff} {
		synctest.Test(t, func(t *testing.T) {
			l := newLine(inBytes(echoing(nothing)))
			c := rtuClient(l, withEcho(mode))
			for range 3 {
				if poll(t, c, q) == nil {
					t.Errorf("mode %d: %v accepted", mode, q)
				}
			}
		})
	}
}

func requestFrame(q Request) []byte {
	c := NewRTU(newLine(nil), Settings{})
	a, err := c.encode(q)
	if err != nil {
		panic(err)
	}
	return a.frame
}
