package bench

import (
	"errors"
	"math/rand/v2"
	"os"
	"sync"
	"time"
)

// Wire is a stream of bytes to one client: a serial device, a connection or
// one [End] of a line in memory.
type Wire interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	Close() error
	SetReadDeadline(t time.Time) error
	SetWriteDeadline(t time.Time) error
}

// unplugged ends a conversation: the line is away for so long.
type unplugged time.Duration

func (u unplugged) Error() string { return "unplugged" }

// writePatience is how long a client may leave its buffers full.
const writePatience = time.Second

// conversation is what goes on with one client. Its goroutine is that of
// [Line.converse]; late answers come from timers and share the wire with it.
type conversation struct {
	line *Line
	wire Wire
	done <-chan struct{} // closed when the line is to end
	mu   sync.Mutex      // held while an answer is on the wire
	last []byte          // the answer before
}

// errDone ends a conversation because the line ends.
var errDone = errors.New("the line ends")

// message is an answer on its way, and what its faults are made of.
type message struct {
	request []byte
	bytes   []byte
	foreign []byte // the same as if from another unit
	start   time.Time
}

// modbus answers requests until the wire ends.
func (c *conversation) modbus(f framing) error {
	for {
		q, err := f.next()
		if err != nil {
			return err
		}
		if err := c.answer(f, q); err != nil {
			return err
		}
	}
}

func (c *conversation) answer(f framing, q request) error {
	c.line.seen[q.pdu[0]].Add(1)
	u, ours := c.line.units[q.unit]
	if !ours {
		return nil
	}
	fault, takes := c.line.faults.wire(u.ID, c.line.settings.Kind)
	if fault == Silent {
		return nil
	}
	pdu := u.answer(q.pdu, c.line.faults.values(u, c.line.settings.Kind))
	if fault == BusyException {
		pdu = exception(q.pdu[0], deviceBusy)
	}
	m := message{
		request: q.adu,
		bytes:   f.pack(q, q.unit, pdu),
		foreign: f.pack(q, q.unit+1, pdu),
		start:   c.line.settings.Pace.start(q.arrived, len(q.adu)),
	}
	return c.deliver(m, fault, takes)
}

// deliver sends the answer as the fault would have it.
func (c *conversation) deliver(m message, fault Fault, takes time.Duration) error {
	before := c.last
	c.last = m.bytes
	switch fault {
	case Silent:
		return nil
	case Unplug:
		return unplugged(takes)
	case Babble:
		return c.babble(takes)
	case Late:
		m.start = m.start.Add(takes)
		time.AfterFunc(time.Until(m.start), func() { _ = c.send(m.start, m.bytes, 0) })
		return nil
	case SlowBytes:
		return c.send(m.start, m.bytes, takes)
	case Echo:
		if err := c.send(time.Now(), m.request, 0); err != nil {
			return err
		}
	case Cut:
		if err := c.send(m.start, half(m.bytes), 0); err != nil {
			return err
		}
		return unplugged(0)
	}
	return c.send(m.start, m.spoilt(fault, before), 0)
}

// spoilt is the answer with its bytes as the fault would have them.
func (m message) spoilt(fault Fault, before []byte) []byte {
	n := len(m.bytes)
	b := append(make([]byte, 0, 2*n), m.bytes...)
	switch fault {
	case BadCRC:
		b[n-1] ^= 0x55
	case WrongID:
		b[1]++
	case HalfFrame:
		return half(b)
	case ExtraByte:
		return append(b, 0)
	case Foreign:
		return m.foreign
	case Glued:
		if before == nil {
			before = m.bytes
		}
		return append(append([]byte{}, before...), b...)
	}
	return b
}

func half(b []byte) []byte { return b[:len(b)/2] }

// send puts bytes on the wire from start on, one by one if the line has a pace
// or there is a pause between them. Bytes that are overdue go together.
func (c *conversation) send(start time.Time, b []byte, pause time.Duration) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := time.Now(); start.Before(now) {
		start = now
	}
	each := max(pause, c.line.settings.Pace.Char())
	for sent := 0; sent < len(b); {
		if err := c.sleepUntil(start.Add(time.Duration(sent+1) * each)); err != nil {
			return err
		}
		due := len(b)
		if each > 0 {
			due = min(max(int(time.Since(start)/each), sent+1), len(b))
		}
		if err := c.put(b[sent:due]); err != nil {
			return err
		}
		sent = due
	}
	return nil
}

// coarse is what the runtime's timers may be late by: more than a character
// takes. The rest of a wait is slept finely, but for a line in memory, which may
// be on a test's own time.
const coarse = 1300 * time.Microsecond

func (c *conversation) sleepUntil(t time.Time) error {
	spare := coarse
	if _, memory := c.wire.(*End); memory {
		spare = 0
	}
	if left := time.Until(t) - spare; left > 0 {
		timer := time.NewTimer(left)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-c.done:
			return errDone
		}
	}
	if left := time.Until(t); left > 0 {
		sleepFinely(left)
	}
	return nil
}

func (c *conversation) put(b []byte) error {
	if err := c.wire.SetWriteDeadline(time.Now().Add(writePatience)); err != nil {
		return err
	}
	_, err := c.wire.Write(b)
	return err
}

// babble sends garbage for so long, 16 bytes every millisecond or as fast as
// the line can, and then forgets what was asked meanwhile.
func (c *conversation) babble(takes time.Duration) error {
	garbage := c.line.faults.babbler()
	for end := time.Now().Add(takes); time.Now().Before(end); {
		if err := c.send(time.Now().Add(time.Millisecond), rubbish(garbage), 0); err != nil {
			return err
		}
	}
	return c.forget()
}

func rubbish(chance *rand.Rand) []byte {
	b := make([]byte, 16)
	for i := range b {
		b[i] = byte(chance.Uint32())
	}
	return b
}

// forget throws away what has arrived.
func (c *conversation) forget() error {
	rest := make([]byte, 1024)
	for {
		if err := c.wire.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
			return err
		}
		_, err := c.wire.Read(rest)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return c.wire.SetReadDeadline(time.Time{})
		}
		if err != nil {
			return err
		}
	}
}
