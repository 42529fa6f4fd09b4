package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"sync"
	"time"

	"thimbled/acquire"
	"thimbled/acquire/bench"
	"thimbled/acquire/modbus"
	"thimbled/peak"
)

const (
	loadUnit, pressureUnit = 1, 2
	// slowest is the worst_answer of the simulated config.
	slowest = 300 * time.Millisecond
)

// cable is a Modbus line in memory with a load indicator and a pressure transducer, and
// with what can go wrong between them and the computer.
type cable struct {
	begin  time.Time
	load   func(at time.Duration) peak.Force
	faulty bool

	mu        sync.Mutex
	chance    *rand.Rand
	port      *bench.End
	unplugged bool
	hangs     time.Duration // how long the next opening takes
	// taken is when each value of the load indicator was last taken.
	taken map[peak.Force]time.Time
	seen  *tally
	wrong error // the first request that is none to read
}

func newCable(seed uint64, begin time.Time, load func(time.Duration) peak.Force, seen *tally) *cable {
	return &cable{
		begin: begin, load: load, chance: rand.New(rand.NewPCG(seed, 2)), seen: seen, taken: map[peak.Force]time.Time{}, faulty: true,
	}
}

func (c *cable) open(ctx context.Context, _ acquire.Line) (modbus.Port, error) {
	c.mu.Lock()
	hangs := c.hangs
	c.hangs = 0
	c.mu.Unlock()
	if hangs > 0 && !pass(ctx, hangs) {
		return nil, ctx.Err()
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.unplugged {
		return nil, os.ErrNotExist
	}
	near, far := bench.Pipe()
	c.port = far
	go c.serve(far)
	return near, nil
}

// plug pulls the adapter out, or plugs it in again.
func (c *cable) plug(in bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.unplugged = !in
	if !in && c.port != nil {
		c.seen.add("line: unplugged")
		c.port.Close()
	}
}

// hang closes the port and lets the next opening take long: nothing is heard meanwhile,
// not even that nothing answers.
func (c *cable) hang(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.port != nil {
		c.seen.add("line: hung")
		c.hangs = d
		c.port.Close()
	}
}

// calm ends or begins what goes wrong.
func (c *cable) calm(calm bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.faulty = !calm
}

func (c *cable) serve(far *bench.End) {
	defer far.Close()
	request := make([]byte, 8)
	for {
		if _, err := io.ReadFull(far, request); err != nil {
			return
		}
		for _, p := range c.answer(request) {
			time.Sleep(p.after)
			if _, err := far.Write(p.bytes); err != nil {
				return
			}
		}
	}
}

// part is what comes over the line after a while.
type part struct {
	after time.Duration
	bytes []byte
}

// answer returns what a request brings.
func (c *cable) answer(request []byte) []part {
	c.mu.Lock()
	defer c.mu.Unlock()
	if f := request[1]; f < 1 || f > 4 {
		c.wrong = fmt.Errorf("the request % x is none to read", request)
	}
	reply := withCRC(c.value(request))
	takes := 2*time.Millisecond + time.Duration(c.chance.IntN(3_000_000))
	if !c.faulty || c.chance.IntN(40) != 0 {
		return []part{{takes, reply}}
	}
	switch kind := c.chance.IntN(8); kind {
	case 0:
		c.seen.add("line: dropped")
		return nil
	case 1:
		c.seen.add("line: late")
		late := 100*time.Millisecond + time.Duration(c.chance.Int64N(int64(slowest-120*time.Millisecond)))
		return []part{{late, reply}}
	case 2:
		c.seen.add("line: bits flipped")
		for range 1 + c.chance.IntN(2) {
			reply[c.chance.IntN(len(reply))] ^= 1 << c.chance.IntN(8)
		}
		return []part{{takes, reply}}
	case 3:
		c.seen.add("line: cut short")
		return []part{{takes, reply[:c.chance.IntN(len(reply))]}}
	case 4:
		c.seen.add("line: doubled")
		return []part{{takes, reply}, {time.Duration(c.chance.IntN(1_500_000)), reply}}
	case 5:
		c.seen.add("line: echoed")
		return []part{{takes / 2, append([]byte(nil), request...)}, {takes / 2, reply}}
	case 6:
		c.seen.add("line: refused")
		return []part{{takes, withCRC([]byte{request[0], request[1] | 0x80, 6})}}
	default:
		c.seen.add("line: in pieces")
		return []part{{takes, reply[:3]}, {time.Duration(c.chance.IntN(900_000)), reply[3:]}}
	}
}

// value is the answer without its check. The force tells in its last digits when it was
// taken.
func (c *cable) value(request []byte) []byte {
	now := time.Now()
	force := c.load(now.Sub(c.begin))
	if request[0] == pressureUnit {
		return binary.BigEndian.AppendUint16([]byte{pressureUnit, request[1], 2}, uint16(force/(10*peak.Newton)))
	}
	c.taken[force] = now
	return binary.BigEndian.AppendUint32([]byte{loadUnit, request[1], 4}, uint32(int32(force)))
}

func withCRC(b []byte) []byte { return binary.LittleEndian.AppendUint16(b, modbus.CRC(b)) }

// takenAt returns when a value was last taken.
func (c *cable) takenAt(f peak.Force) (time.Time, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	at, ok := c.taken[f]
	return at, ok
}

// pulls returns the force over time: a pull about every ten seconds, to levels and for
// times that the seed decides.
func pulls(seed uint64) func(time.Duration) peak.Force {
	const period = 9 * time.Second
	return func(at time.Duration) peak.Force {
		n, in := at/period, (at % period).Milliseconds()
		chance := rand.New(rand.NewPCG(seed, uint64(n)))
		top, hold := 96+chance.Int64N(24), 1000+chance.Int64N(2500) // kN, ms
		rise, fall := top*20, top*4                                 // ms
		var newtons int64
		switch in -= 2500; {
		case in < 0:
		case in < rise:
			newtons = top * 1000 * in / rise
		case in < rise+hold:
			newtons = top * 1000
		case in < rise+hold+fall:
			newtons = top * 1000 * (rise + hold + fall - in) / fall
		}
		return peak.Force(newtons)*peak.Newton + peak.Force(at.Milliseconds()%1000)
	}
}
