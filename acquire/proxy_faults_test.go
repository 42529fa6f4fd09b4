//go:build linux

package acquire_test

import (
	"bytes"
	"encoding/binary"
	"slices"
	"time"

	"thimbled/acquire"
	"thimbled/acquire/modbus"
)

// piece is part of what comes for a request, some time after the right answer would. Nil
// bytes end the connection.
type piece struct {
	after time.Duration
	bytes []byte
}

func once(parts ...[]byte) []piece { return []piece{{0, slices.Concat(parts...)}} }

// wireFault is what happens to one exchange.
type wireFault struct {
	name string
	// does makes what comes in place of the answer; nil means that it comes as it is.
	does func(x exchange) []piece
	// damages says that the bytes that come may look like an answer by chance.
	damages bool
	// request makes what reaches the server in place of the request, and says how often
	// it will be answered.
	request func(p *proxy, request []byte) (b []byte, times int)
	// rare makes a fault that holds the line up for long so many times rarer.
	rare int
}

const (
	halfOpen = "half-open: requests are swallowed for a while"
	swapped  = "two answers change places"
)

// bothFaults happen on every kind of line.
var bothFaults = []wireFault{
	{name: "bits flipped", damages: true, does: func(x exchange) []piece {
		b := bytes.Clone(x.answer)
		for range 1 + x.chance.IntN(6) {
			b[x.chance.IntN(len(b))] ^= 1 << x.chance.IntN(8)
		}
		return once(b)
	}},
	{name: "a byte dropped", damages: true, does: func(x exchange) []piece {
		i := x.chance.IntN(len(x.answer))
		return once(x.answer[:i], x.answer[i+1:])
	}},
	{name: "a byte doubled", damages: true, does: func(x exchange) []piece {
		i := x.chance.IntN(len(x.answer))
		return once(x.answer[:i+1], x.answer[i:])
	}},
	{name: "the frame doubled", does: func(x exchange) []piece { return once(x.answer, x.answer) }},
	{name: "cut short", damages: true, does: func(x exchange) []piece {
		return once(x.answer[:1+x.chance.IntN(len(x.answer)-1)])
	}},
	{name: "an old answer glued in front", does: func(x exchange) []piece { return once(x.before, x.answer) }},
	{name: "echo in front", does: func(x exchange) []piece { return once(x.request, x.answer) }},
	{name: "only the echo", does: func(x exchange) []piece { return once(x.request) }},
	{name: "garbage in front", damages: true, does: func(x exchange) []piece { return once(x.garbage(), x.answer) }},
	{name: "garbage behind", damages: true, does: func(x exchange) []piece { return once(x.answer, x.garbage()) }},
	{name: "garbage instead", damages: true, does: func(x exchange) []piece { return once(x.garbage()) }},
	{name: "garbage unasked, later", damages: true, does: func(x exchange) []piece {
		return append(once(x.answer), piece{x.within(1, 2*x.timing.timeout), x.garbage()})
	}},
	{name: "delayed within the time", does: func(x exchange) []piece {
		return []piece{{x.within(1, x.timing.timeout/2), x.answer}}
	}},
	{name: "delayed beyond the time", does: func(x exchange) []piece {
		return []piece{{x.within(x.timing.timeout, x.bound()), x.answer}}
	}},
	{name: "a byte at a time", does: func(x exchange) []piece {
		pieces := once(x.answer[:1])
		for i := 1; i < len(x.answer); i++ {
			pieces = append(pieces, piece{time.Duration(i) * time.Millisecond / 2, x.answer[i : i+1]})
		}
		return pieces
	}},
	{name: "in two halves", does: func(x exchange) []piece {
		i := 1 + x.chance.IntN(len(x.answer)-1)
		return append(once(x.answer[:i]), piece{x.within(1, x.timing.timeout), x.answer[i:]})
	}},
	{name: "silence", does: func(exchange) []piece { return nil }},
	{name: halfOpen, rare: 4, does: func(x exchange) []piece {
		x.quiet = 3
		return nil
	}},
	{name: "forged: another unit", does: func(x exchange) []piece { return x.forged(x.frame(peerUnit+1, byte(modbus.Input), 4)) }},
	{name: "forged: another function", does: func(x exchange) []piece { return x.forged(x.frame(peerUnit, byte(modbus.Holding), 4)) }},
	{name: "forged: another length", does: func(x exchange) []piece {
		return x.forged(x.frame(peerUnit, byte(modbus.Input), 2+4*x.chance.IntN(2)))
	}},
	{name: "an exception", does: func(x exchange) []piece {
		return once(x.wrapPDU(peerUnit, []byte{byte(modbus.Input) | 0x80, byte(1 + x.chance.IntN(11))}))
	}},
	{name: "forged: exception of another function", does: func(x exchange) []piece {
		return once(x.wrapPDU(peerUnit, []byte{byte(modbus.Holding) | 0x80, 2}))
	}},
	{name: "the request doubled", request: func(_ *proxy, b []byte) ([]byte, int) { return slices.Concat(b, b), 2 }},
}

// serialFaults happen where a check tells damage, and where nothing but order tells
// answers apart.
var serialFaults = append([]wireFault{
	{name: "an old answer glued behind", does: func(x exchange) []piece { return once(x.answer, x.before) }},
	{name: "two old answers glued in front", does: func(x exchange) []piece { return once(x.before, x.before, x.answer) }},
	{name: "the request flipped", rare: 100, request: func(p *proxy, b []byte) ([]byte, int) {
		b = bytes.Clone(b)
		b[p.chance.IntN(len(b))] ^= 1 << p.chance.IntN(8) // one bit: the check always tells
		return b, 0
	}},
	{name: "the request cut short", rare: 100, request: func(p *proxy, b []byte) ([]byte, int) { return b[:1+p.chance.IntN(len(b)-1)], 0 }},
}, bothFaults...)

// socketFaults happen to Modbus TCP.
var socketFaults = append([]wireFault{
	{name: "delayed by several requests", does: func(x exchange) []piece {
		return []piece{{x.within(x.timing.timeout, 5*x.timing.timeout), x.answer}}
	}},
	{name: swapped, does: func(x exchange) []piece {
		held := x.swap
		x.swap = x.answer
		if held != nil {
			return once(held)
		}
		return nil
	}},
	{name: "forged: another transaction", does: func(x exchange) []piece {
		b := x.frame(peerUnit, byte(modbus.Input), 4)
		binary.BigEndian.PutUint16(b, binary.BigEndian.Uint16(b)+uint16(1+x.chance.IntN(0xFFFF)))
		return x.forged(b)
	}},
	{name: "closed instead", does: func(exchange) []piece { return []piece{{0, nil}} }},
	{name: "closed in mid-answer", does: func(x exchange) []piece {
		return append(once(x.answer[:1+x.chance.IntN(len(x.answer)-1)]), piece{0, nil})
	}},
	{name: "closed behind the answer", does: func(x exchange) []piece { return append(once(x.answer), piece{0, nil}) }},
}, bothFaults...)

func faultsOf(kind acquire.Kind) []wireFault {
	if kind == acquire.TCP {
		return socketFaults
	}
	return serialFaults
}

// within is a time between two others.
func (x exchange) within(from, to time.Duration) time.Duration {
	return from + time.Duration(x.chance.Int64N(int64(to-from)))
}

func (x exchange) garbage() []byte {
	b := make([]byte, 1+x.chance.IntN(40))
	for i := range b {
		b[i] = byte(x.chance.Uint32())
	}
	return b
}

// frame is a whole answer with n bytes of data that nobody shows.
func (x exchange) frame(unit, function byte, n int) []byte {
	pdu := []byte{function, byte(n)}
	for range n {
		pdu = append(pdu, byte(x.chance.Uint32()))
	}
	return x.wrapPDU(unit, pdu)
}

// wrapPDU makes a frame whose check or transaction is right.
func (x exchange) wrapPDU(unit byte, pdu []byte) []byte {
	if x.kind == acquire.TCP {
		return modbus.AppendMBAP(nil, binary.BigEndian.Uint16(x.request), unit, pdu)
	}
	return modbus.AppendRTU(nil, unit, pdu)
}

// forged sends a frame instead of the answer, in front of it or behind it.
func (x exchange) forged(b []byte) []piece {
	switch x.chance.IntN(3) {
	case 0:
		return once(b)
	case 1:
		return once(b, x.answer)
	}
	return once(x.answer, b)
}

// mistakable says whether damaged bytes hold an RTU frame that is an answer by all that
// the protocol can tell, and that says something else than the right one: one in 65536
// damages of many bits leaves the check right. Of Modbus TCP see mbapStream.
func (x exchange) mistakable(pieces []piece) bool {
	if x.kind == acquire.TCP {
		return false
	}
	var all []byte
	for _, one := range pieces {
		all = append(all, one.bytes...)
	}
	for size := len(x.answer); len(all) >= size; all = all[1:] {
		b := all[:size]
		if bytes.Equal(b[:3], x.answer[:3]) && !bytes.Equal(b, x.answer) && modbus.CRC(b[:size-2]) == binary.LittleEndian.Uint16(b[size-2:]) {
			return true
		}
	}
	return false
}

// mbapStream follows what the poller gets on one connection. Modbus TCP has no check of its
// own: the sum of TCP is what keeps data whole, and TCP loses no byte. So damage to
// nothing but data does not reach a program; it could only see that what follows is no
// whole frame.
type mbapStream struct {
	right   map[uint16][]byte // right answers by transaction
	pending []byte
	broken  bool // no frame can be told any more
}

func newMBAPStream() *mbapStream { return &mbapStream{right: map[uint16][]byte{}} }

// bring adds bytes that come at once. It refuses them if they complete a frame that is a right
// answer but for its data, and nothing but whole frames follow.
func (s *mbapStream) bring(b []byte) bool {
	pending, wrong := slices.Concat(s.pending, b), false
	for len(pending) >= 6 && !s.broken {
		size := 6 + int(binary.BigEndian.Uint16(pending[4:]))
		if pending[2] != 0 || pending[3] != 0 || size < 8 || size > 260 {
			s.broken = true
			break
		}
		if len(pending) < size {
			break
		}
		frame := pending[:size]
		right := s.right[binary.BigEndian.Uint16(frame)]
		if len(right) == size && bytes.Equal(frame[:9], right[:9]) && !bytes.Equal(frame, right) {
			wrong = true
		}
		pending = pending[size:]
	}
	if wrong && !s.broken && len(pending) == 0 {
		return false
	}
	s.pending = pending
	return true
}
