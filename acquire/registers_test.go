package acquire

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/acquire/modbus"
	"thimbled/peak"
)

// asks gives the distinct requests that reached a unit, in order, as first
// register and count.
func asks(b *bus, unit byte) (all [][2]uint16) {
	for _, s := range b.requests(unit) {
		if q := [2]uint16{s.Address, s.Count}; !slices.Contains(all, q) {
			all = append(all, q)
		}
	}
	return all
}

func holding(address uint16, t modbus.Type) Register {
	return Register{Table: modbus.Holding, Address: address, Type: t}
}

func TestWhatLiesTogetherIsReadTogether(t *testing.T) {
	stable := Bits{Mask: 1}
	for what, c := range map[string]struct {
		value    Register
		status   Status
		constant peak.Maybe[Register]
		want     [][2]uint16
	}{
		"value alone":    {value: holding(0, modbus.Float32), want: [][2]uint16{{0, 2}}},
		"status behind":  {value: holding(0, modbus.Float32), status: Status{Table: modbus.Holding, Address: 2, Stable: stable}, want: [][2]uint16{{0, 3}}},
		"status before":  {value: holding(5, modbus.Int16), status: Status{Table: modbus.Holding, Address: 4, Stable: stable}, want: [][2]uint16{{4, 2}}},
		"status within":  {value: holding(0, modbus.Uint32), status: Status{Table: modbus.Holding, Address: 1, Stable: stable}, want: [][2]uint16{{0, 2}}},
		"with a gap":     {value: holding(0, modbus.Float32), status: Status{Table: modbus.Holding, Address: 15, Stable: stable}, want: [][2]uint16{{0, 16}}},
		"too far":        {value: holding(0, modbus.Float32), status: Status{Table: modbus.Holding, Address: 16, Stable: stable}, want: [][2]uint16{{0, 2}, {16, 1}}},
		"another table":  {value: holding(0, modbus.Float32), status: Status{Table: modbus.Input, Address: 1, Stable: stable}, want: [][2]uint16{{0, 2}, {1, 1}}},
		"three together": {holding(0, modbus.Float32), Status{Table: modbus.Holding, Address: 2, Stable: stable}, peak.Known(holding(3, modbus.Int32)), [][2]uint16{{0, 5}}},
		"constant far":   {value: holding(0, modbus.Float32), constant: peak.Known(holding(90, modbus.Int32)), want: [][2]uint16{{0, 2}, {90, 2}}},
	} {
		synctest.Test(t, func(t *testing.T) {
			d := floatAt0(0)
			for i := range uint16(100) {
				d.registers[i] = i
			}
			in := load(100 * ms)
			in.Value, in.Status, in.Constant = c.value, c.status, c.constant
			b := newBus(true, d)
			r := poll(t, b, in)
			r.until(time.Second)
			r.stop()
			r.wantAll(what, r.samples, peak.Good, 9)
			if got := asks(b, 1); !slices.Equal(got, c.want) {
				t.Errorf("%s: asked %v, want %v", what, got, c.want)
			}
		})
	}
}

// Some devices refuse a request that touches a register they do not have: then
// the gap is left out, for good.
func TestRefusedGapIsLeftOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := floatAt0(12.5)
		d.registers[8] = 1
		b := newBus(true, d)
		in := load(100 * ms)
		in.Status = Status{Table: modbus.Input, Address: 8, Stable: Bits{Mask: 1}}
		r := poll(t, b, in)
		r.until(2 * time.Second)
		r.stop()
		r.wantAll("all", r.samples, peak.Good, 19)
		if got := asks(b, 1); !slices.Equal(got, [][2]uint16{{0, 9}, {0, 2}, {8, 1}}) {
			t.Errorf("asked %v", got)
		}
		if n := len(b.requests(1)); n > 1+2*len(r.samples)+2 { // the last poll may have been cut off
			t.Errorf("%d requests for %d samples", n, len(r.samples))
		}
		if s := r.samples[0]; s.Stable != peak.Known(true) || s.Force != 12500*peak.Newton {
			t.Errorf("%+v", s)
		}
	})
}

// A constant that needs a request of its own is read seldom, and when it cannot be
// read the value still counts.
func TestFarConstant(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := floatAt0(12.5)
		d.registers[200], d.registers[201] = 0x0001, 0x0203
		b := newBus(true, d)
		in := load(100 * ms)
		in.Constant = peak.Known(Register{Table: modbus.Input, Address: 200, Type: modbus.Uint32, Order: modbus.CDAB})
		r := poll(t, b, in)
		r.until(25 * time.Second)
		b.change(func() { delete(d.registers, 200) })
		r.until(35 * time.Second)
		r.stop()
		r.wantAll("all", r.samples, peak.Good, 340)
		var known []Sample
		for _, s := range r.samples {
			if s.Constant.Known {
				known = append(known, s)
			}
		}
		if len(known) != 3 || known[0].Constant.Value != 0x02030001 || known[1].Due-known[0].Due != constantEvery {
			t.Errorf("constants %+v", known)
		}
	})
}

// An exception to the constant says nothing of the value: the instrument is
// neither left out nor read in another way.
func TestRefusedConstant(t *testing.T) {
	for _, code := range []byte{illegalAddress, 0x0B} {
		synctest.Test(t, func(t *testing.T) {
			d := floatAt0(12.5)
			for i := range uint16(9) {
				d.registers[2+i] = 1
			}
			d.refuse = map[uint16]byte{200: code}
			b := newBus(true, d, floatAt0(80))
			in := load(100 * ms)
			in.Status = Status{Table: modbus.Input, Address: 10, Stable: Bits{Mask: 1}}
			in.Constant = peak.Known(Register{Table: modbus.Input, Address: 200, Type: modbus.Uint32})
			r := poll(t, b, in, gauge(100*ms))
			r.until(31 * time.Second)
			r.stop()
			r.wantAll("load", r.of("load", 0, time.Minute), peak.Good, 309)
			if got := asks(b, 1); !slices.Equal(got, [][2]uint16{{0, 11}, {200, 2}}) {
				t.Errorf("asked %v", got)
			}
		})
	}
}

func TestStatusBits(t *testing.T) {
	status := Status{
		Table: modbus.Input, Address: 2,
		NotReady: Bits{Mask: 0x01, Clear: true}, OverRange: Bits{Mask: 0x06}, UnderRange: Bits{Mask: 0x08}, Stable: Bits{Mask: 0x80},
	}
	for _, c := range []struct {
		bits    uint16
		quality peak.Quality
		stable  bool
	}{
		{0x0001, peak.Good, false},
		{0x0081, peak.Good, true},
		{0xFF81 &^ 0x0E, peak.Good, true},
		{0x0000, peak.NotReady, false},
		{0x0086, peak.NotReady, true},
		{0x0003, peak.OverRange, false},
		{0x0005, peak.OverRange, false},
		{0x0009, peak.UnderRange, false},
	} {
		in := load(20 * ms)
		in.Status = status
		data := binary.BigEndian.AppendUint32(nil, math.Float32bits(12.5))
		data = binary.BigEndian.AppendUint16(data, c.bits)
		var r reading
		in.understand(&r, in.lay(true).always, data)
		if r.quality != c.quality || r.stable != peak.Known(c.stable) {
			t.Errorf("%#04x: %q %v, want %q %v", c.bits, r.quality, r.stable, c.quality, c.stable)
		}
	}
}

// A register of the same number in another table is another one.
func TestStatusOfAnotherTable(t *testing.T) {
	in := load(20 * ms)
	in.Status = Status{Table: modbus.Holding, Address: 1, NotReady: Bits{Mask: 0xFFFF}}
	in.Constant = peak.Known(holding(0, modbus.Uint32))
	var r reading
	in.understand(&r, in.lay(true).always, binary.BigEndian.AppendUint32(nil, math.Float32bits(12.34)))
	if r.quality != peak.Good || r.constant.Known {
		t.Errorf("%+v", r)
	}
}

func TestNumbersThatAreNone(t *testing.T) {
	for _, c := range []struct {
		as   modbus.Type
		bits uint32
		want peak.Quality
	}{
		{modbus.Float32, math.Float32bits(float32(math.NaN())), peak.NotReady},
		{modbus.Float32, 0xFF800001, peak.NotReady}, // a signalling NaN
		{modbus.Float32, math.Float32bits(float32(math.Inf(1))), peak.OverRange},
		{modbus.Float32, math.Float32bits(float32(math.Inf(-1))), peak.UnderRange},
		{modbus.Float32, math.Float32bits(math.MaxFloat32), peak.OverRange}, // 3e38 kN
		{modbus.Float32, math.Float32bits(-math.MaxFloat32), peak.UnderRange},
		{modbus.Float32, 0, peak.Good},
		{modbus.Int16, 0x7FFF0000, peak.OverRange},
		{modbus.Int16, 0x80000000, peak.UnderRange},
		{modbus.Int16, 0x7FFE0000, peak.Good},
		{modbus.Uint16, 0xFFFF0000, peak.OverRange},
		{modbus.Uint16, 0, peak.Good},
		{modbus.Int32, 0x7FFFFFFF, peak.OverRange},
		{modbus.Int32, 0x80000000, peak.UnderRange},
		{modbus.Uint32, 0xFFFFFFFF, peak.OverRange},
		{modbus.Uint32, 0, peak.Good},
	} {
		in := load(20 * ms)
		in.Value.Type = c.as
		r := reading{}
		in.understand(&r, in.lay(true).always, binary.BigEndian.AppendUint32(nil, c.bits))
		var s Sample
		if r.quality == peak.Good {
			in.fill(&s, &r)
		}
		if r.quality != c.want || (r.why == "") != (c.want == peak.Good) || c.want != peak.Good && s.Force != 0 {
			t.Errorf("%v %#08x: %q (%s), want %q", c.as, c.bits, r.quality, r.why, c.want)
		}
	}
}

func TestConstantIsExact(t *testing.T) {
	data := []byte{0x81, 0x02, 0x03, 0x04}
	for as, want := range map[modbus.Type]int64{
		modbus.Int16: -32510, modbus.Uint16: 0x8102, modbus.Int32: -2130574588, modbus.Uint32: 0x81020304, modbus.Float32: 0x81020304,
	} {
		if got := constant(data, Register{Type: as}); got != peak.Known(want) {
			t.Errorf("%v: %v, want %v", as, got, want)
		}
	}
	nan := binary.BigEndian.AppendUint32(nil, math.Float32bits(float32(math.NaN())))
	if got := constant(nan, Register{Type: modbus.Float32}); !got.Known {
		t.Error("bits that are no number are a constant too")
	}
}

// Whatever the registers hold, a sample is good with a plausible value, or bad with
// a reason and none.
func FuzzUnderstand(f *testing.F) {
	f.Add([]byte{0x41, 0x48, 0, 0, 0, 1}, uint8(4), uint8(0), 1.0, 0.0)
	f.Add([]byte{0x7f, 0xc0, 0, 0, 0, 0}, uint8(4), uint8(3), 0.01, -5.0)
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, 0, 0}, uint8(1), uint8(1), 1e300, 1e300)
	f.Fuzz(func(t *testing.T, data []byte, as, order uint8, scale, offset float64) {
		in := load(20 * ms)
		in.Value.Type, in.Value.Order = modbus.Type(as%5), modbus.Order(order%4)
		in.Scale, in.Offset, in.Lowest, in.Highest = scale, offset, peak.Known[int64](-1e9), peak.Known[int64](1e9)
		in.Status = Status{Table: modbus.Input, Address: uint16(in.Value.Type.Registers()), OverRange: Bits{Mask: 1}}
		l := in.lay(true)
		if in.check(RTU) != nil || len(data) < 2*l.always.count {
			return
		}
		var r reading
		var s Sample
		in.understand(&r, l.always, data)
		if r.quality == peak.Good {
			in.fill(&s, &r)
		}
		if (r.why == "") != (r.quality == peak.Good) || s.Force < -1e9 || s.Force > 1e9 || r.quality != peak.Good && s.Force != 0 {
			t.Fatalf("% x as %v %v: %+v gives %v", data, in.Value.Type, in.Value.Order, r, s.Force)
		}
		if data[2*l.always.count-1]&1 != 0 && r.quality == peak.Good {
			t.Fatalf("% x: good although its status says over range", data)
		}
	})
}
