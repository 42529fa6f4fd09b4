package acquire

import (
	"context"
	"encoding/binary"
	"math"
	"os"
	"sync"
	"syscall"
	"time"

	"thimbled/acquire/modbus"
)

// bus is a Modbus line in memory with its instruments. Its ports buffer what
// nobody has read yet, as drivers and sockets do.
type bus struct {
	mu     sync.Mutex
	tcp    bool
	units  map[byte]*device
	asked  []seen
	opens  []time.Time
	closes int
	// overlaps counts the times the line was opened before it was closed.
	overlaps int
	port     *memoryPort
	opener   error // what opening fails with
	// idle closes a connection that was not used for so long; 0 never does.
	idle time.Duration
	// hangUp closes each connection at its first request.
	hangUp bool
	// onWrite takes what is written, in place of the Modbus devices.
	onWrite func(b []byte)
}

// device is one instrument on the bus.
type device struct {
	registers map[uint16]uint16
	takes     time.Duration
	silent    bool
	exception byte
	refuse    map[uint16]byte // exceptions of requests that begin at an address
	spoil     bool            // the answer's check is wrong
}

// seen is a request that reached the bus.
type seen struct {
	modbus.Request
	at time.Time
}

func newBus(tcp bool, units ...*device) *bus {
	b := &bus{tcp: tcp, units: map[byte]*device{}}
	for i, u := range units {
		b.units[byte(i+1)] = u
	}
	return b
}

// floatAt0 is a device with a float32 in registers 0 and 1.
func floatAt0(value float32) *device {
	d := &device{takes: 3 * time.Millisecond, registers: map[uint16]uint16{}}
	d.set(value)
	return d
}

func (d *device) set(value float32) {
	bits := math.Float32bits(value)
	d.registers[0], d.registers[1] = uint16(bits>>16), uint16(bits)
}

// change changes devices or the bus while it is in use.
func (b *bus) change(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
}

func (b *bus) open(ctx context.Context, _ Line) (modbus.Port, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.opens = append(b.opens, time.Now())
	if b.port != nil && !b.port.closed() {
		b.overlaps++
	}
	if b.opener != nil {
		return nil, b.opener
	}
	b.port = &memoryPort{bus: b, changed: make(chan struct{}), used: time.Now()}
	return b.port, ctx.Err()
}

// unplug makes the port fail as an adapter does that was pulled out.
func (b *bus) unplug() {
	b.change(func() {
		b.opener = os.ErrNotExist
		b.port.fail(syscall.EIO)
	})
}

func (b *bus) plugIn() { b.change(func() { b.opener = nil }) }

// requests returns those that reached a unit.
func (b *bus) requests(unit byte) (all []seen) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.asked {
		if s.Unit == unit {
			all = append(all, s)
		}
	}
	return all
}

// answer makes the answer to a request frame; nil for none.
func (b *bus) answer(frame []byte) (reply []byte, after time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	unit, pdu, transaction := b.parse(frame)
	q, err := modbus.ParseRequest(unit, pdu)
	if err != nil {
		panic(err) // the poller must send nothing else
	}
	b.asked = append(b.asked, seen{q, time.Now()})
	d := b.units[unit]
	if d == nil || d.silent {
		return nil, 0
	}
	body := d.reply(q)
	if b.tcp {
		return modbus.AppendMBAP(nil, transaction, unit, body), d.takes
	}
	reply = modbus.AppendRTU(nil, unit, body)
	if d.spoil {
		reply[len(reply)-1] ^= 1
	}
	return reply, d.takes
}

func (b *bus) parse(frame []byte) (unit byte, pdu []byte, transaction uint16) {
	if !b.tcp {
		unit, pdu, err := modbus.CheckRTU(frame)
		if err != nil {
			panic(err)
		}
		return unit, pdu, 0
	}
	f, err := modbus.ParseMBAP(frame)
	if err != nil {
		panic(err)
	}
	return f.Unit, f.PDU, f.Transaction
}

func (d *device) reply(q modbus.Request) []byte {
	if d.exception != 0 {
		return []byte{byte(q.Table) | 0x80, d.exception}
	}
	if code := d.refuse[q.Address]; code != 0 {
		return []byte{byte(q.Table) | 0x80, code}
	}
	body := []byte{byte(q.Table), byte(2 * q.Count)}
	for i := range q.Count {
		v, ok := d.registers[q.Address+i]
		if !ok {
			return []byte{byte(q.Table) | 0x80, illegalAddress}
		}
		body = binary.BigEndian.AppendUint16(body, v)
	}
	return body
}

// memoryPort is one connection to a bus.
type memoryPort struct {
	bus      *bus
	mu       sync.Mutex
	rx       []byte
	deadline time.Time
	used     time.Time
	failed   error
	changed  chan struct{}
}

func (p *memoryPort) update(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
	close(p.changed)
	p.changed = make(chan struct{})
}

func (p *memoryPort) arrive(b []byte) { p.update(func() { p.rx = append(p.rx, b...) }) }

func (p *memoryPort) fail(err error) { p.update(func() { p.failed = err }) }

func (p *memoryPort) closed() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.failed == os.ErrClosed
}

func (p *memoryPort) Read(b []byte) (int, error) {
	for {
		p.mu.Lock()
		changed, deadline, failed, n := p.changed, p.deadline, p.failed, 0
		if failed == nil && time.Now().Before(deadline) {
			n = copy(b, p.rx)
			p.rx = p.rx[n:]
		}
		p.mu.Unlock()
		switch {
		case failed != nil:
			return 0, failed
		case n > 0:
			return n, nil
		case !time.Now().Before(deadline):
			return 0, os.ErrDeadlineExceeded
		}
		select {
		case <-changed:
		case <-time.After(time.Until(deadline)):
		}
	}
}

func (p *memoryPort) Write(b []byte) (int, error) {
	p.mu.Lock()
	if p.failed == nil && (p.bus.hangUp || p.bus.idle > 0 && time.Since(p.used) >= p.bus.idle) {
		p.failed = syscall.ECONNRESET
	}
	p.used = time.Now()
	failed := p.failed
	p.mu.Unlock()
	if failed != nil {
		return 0, failed
	}
	if p.bus.onWrite != nil {
		p.bus.onWrite(b)
		return len(b), nil
	}
	if reply, after := p.bus.answer(b); reply != nil {
		time.AfterFunc(after, func() { p.arrive(reply) })
	}
	return len(b), nil
}

func (p *memoryPort) SetReadDeadline(t time.Time) error {
	p.update(func() { p.deadline = t })
	return nil
}

func (p *memoryPort) Close() error {
	p.fail(os.ErrClosed)
	p.bus.change(func() { p.bus.closes++ })
	return nil
}
