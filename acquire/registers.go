package acquire

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"time"

	"thimbled/acquire/modbus"
	"thimbled/peak"
)

const (
	// mostTogether is how many registers are read in one request to reach all
	// that an instrument has to say.
	mostTogether = 16
	// constantEvery is how often a constant that needs a request of its own is
	// read.
	constantEvery = 10 * time.Second
	// illegalAddress is the exception for a register that is not there (MODBUS
	// Application Protocol V1.1b3, 7).
	illegalAddress = 2
)

// span is a run of registers in one table.
type span struct {
	table        modbus.Table
	first, count int
}

func (r Register) span() span { return span{r.Table, int(r.Address), r.Type.Registers()} }

func (s Status) span() span { return span{s.Table, int(s.Address), 1} }

// join returns the span of both if it is short enough; gap is how many registers
// between them come along.
func (s span) join(t span) (both span, gap int, ok bool) {
	first := min(s.first, t.first)
	end := max(s.first+s.count, t.first+t.count)
	both = span{s.table, first, end - first}
	gap = max(0, both.count-s.count-t.count)
	return both, gap, s.table == t.table && both.count <= mostTogether
}

// holds says whether t lies within s, and how many registers from its start.
func (s span) holds(t span) (at int, ok bool) {
	at = t.first - s.first
	return at, s.table == t.table && at >= 0 && at+t.count <= s.count
}

// layout says which requests read an instrument.
type layout struct {
	always   span             // the value, with what lies near it
	status   peak.Maybe[span] // when it needs a request of its own
	constant peak.Maybe[span] // the same
	gaps     bool             // always has registers that nobody asked for
}

// lay plans the requests. Without gaps, nothing is read but what is configured:
// some devices refuse a request that touches a register they do not have.
func (in *Instrument) lay(gaps bool) layout {
	l := layout{always: in.Value.span()}
	take := func(s span) peak.Maybe[span] {
		both, gap, ok := l.always.join(s)
		if !ok || gap > 0 && !gaps {
			return peak.Known(s)
		}
		l.always, l.gaps = both, l.gaps || gap > 0
		return peak.Maybe[span]{}
	}
	if in.Status.mapped() {
		l.status = take(in.Status.span())
	}
	if in.Constant.Known {
		l.constant = take(in.Constant.Value.span())
	}
	return l
}

// registers reads the instruments of a Modbus line.
type registers struct{ client *modbus.Client }

// ask polls one instrument.
func (r *registers) ask(ctx context.Context, p *polled) answer {
	a := r.read(ctx, p)
	if e := a.exception(); e != nil && e.Code == illegalAddress && p.layout.gaps {
		p.layout = p.instrument.lay(false)
		a = r.read(ctx, p)
	}
	e := a.exception()
	a.silent = a.quality == peak.Timeout || a.quality == peak.Garbled || e != nil && e.Unreachable()
	a.lost = modbus.Lost(a.err)
	return a
}

// exception returns the one that came in place of the value; nil for none.
func (a answer) exception() *modbus.Exception {
	var e *modbus.Exception
	if a.quality != peak.Refused || !errors.As(a.err, &e) {
		return nil
	}
	return e
}

func (r *registers) read(ctx context.Context, p *polled) answer {
	in, l := p.instrument, p.layout
	data, at, err := r.request(ctx, in, l.always)
	a := answer{asked: at.Asked, answered: at.Answered}
	if err != nil {
		return a.failed(err)
	}
	in.understand(&a.reading, l.always, data)
	if l.status.Known {
		if data, _, err = r.request(ctx, in, l.status.Value); err != nil {
			return a.failed(err)
		}
		in.judge(&a.reading, binary.BigEndian.Uint16(data))
	}
	if l.constant.Known && !time.Now().Before(p.constantDue) {
		p.constantDue = time.Now().Add(constantEvery)
		if data, _, err = r.request(ctx, in, l.constant.Value); err == nil {
			a.constant = constant(data, in.Constant.Value)
		}
		a.err = err // the value stands, even when the line is lost behind it
	}
	return a
}

func (r *registers) request(ctx context.Context, in *Instrument, s span) ([]byte, modbus.Stamps, error) {
	return r.client.Read(ctx, modbus.Request{
		Unit: in.UnitID, Table: s.table, Address: uint16(s.first), Count: uint16(s.count), Timeout: in.Timeout,
	})
}

// failed makes the answer one that never came.
func (a answer) failed(err error) answer {
	a.reading = reading{quality: modbus.Quality(err), why: err.Error()}
	a.err = err
	return a
}

// understand takes out of the span what the layout has put there.
func (in *Instrument) understand(r *reading, s span, data []byte) {
	if at, ok := s.holds(in.Value.span()); ok {
		number(r, data[2*at:], in.Value)
	}
	if at, ok := s.holds(in.Status.span()); ok && in.Status.mapped() {
		in.judge(r, binary.BigEndian.Uint16(data[2*at:]))
	}
	if at, ok := s.holds(in.Constant.Value.span()); ok && in.Constant.Known {
		r.constant = constant(data[2*at:], in.Constant.Value)
	}
}

// number decodes the value. A register at the end of its type is saturated and
// tells nothing but the direction (common practice); a float that is no number
// is how devices say that they have no value.
func number(r *reading, data []byte, at Register) {
	raw, ok := modbus.Decode(data, at.Type, at.Order)
	if !ok {
		bits, _ := modbus.Decode(data, modbus.Uint32, at.Order)
		switch f := float64(math.Float32frombits(uint32(bits))); {
		case math.IsInf(f, 1):
			r.bad(peak.OverRange, "the register holds infinity")
		case math.IsInf(f, -1):
			r.bad(peak.UnderRange, "the register holds minus infinity")
		default:
			r.bad(peak.NotReady, "the register holds no number")
		}
		return
	}
	r.raw = raw
	switch lowest, highest := bounds(at.Type); raw {
	case highest:
		r.bad(peak.OverRange, "the register is at the end of its range, %v", raw)
	case lowest:
		r.bad(peak.UnderRange, "the register is at the end of its range, %v", raw)
	}
}

// bounds returns the ends of a type; the 0 of an unsigned one is an ordinary
// value, and so are the ends of a float.
func bounds(t modbus.Type) (lowest, highest float64) {
	switch t {
	case modbus.Int16:
		return math.MinInt16, math.MaxInt16
	case modbus.Uint16:
		return math.NaN(), math.MaxUint16
	case modbus.Int32:
		return math.MinInt32, math.MaxInt32
	case modbus.Uint32:
		return math.NaN(), math.MaxUint32
	}
	return math.NaN(), math.NaN()
}

// judge applies the status register.
func (in *Instrument) judge(r *reading, status uint16) {
	if in.Status.Stable.Mask != 0 {
		r.stable = peak.Known(in.Status.Stable.in(status))
	}
	switch {
	case in.Status.NotReady.in(status):
		r.bad(peak.NotReady, "the instrument's status says that it is not ready")
	case in.Status.OverRange.in(status):
		r.bad(peak.OverRange, "the instrument's status says over range")
	case in.Status.UnderRange.in(status):
		r.bad(peak.UnderRange, "the instrument's status says under range")
	}
}

func constant(data []byte, at Register) peak.Maybe[int64] {
	if at.Type == modbus.Float32 {
		at.Type = modbus.Uint32 // its bits
	}
	v, ok := modbus.Decode(data, at.Type, at.Order)
	return peak.Maybe[int64]{Value: int64(v), Known: ok}
}
