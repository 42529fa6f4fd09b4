package bench

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"

	"thimbled/peak"
)

// Shows is the quantity that a register holds.
type Shows uint8

// The quantities.
const (
	ShowsForce    Shows = iota // in Step millinewtons
	ShowsPressure              // in Step pascals
	ShowsStatus                // the [Status] bits
	ShowsConstant              // the calibration constant
	ShowsUpdates               // counts the values
)

// Type is how a quantity is held.
type Type string

// The types. Those of 32 bits take two registers.
const (
	Int16   Type = "int16"
	Uint16  Type = "uint16"
	Int32   Type = "int32"
	Uint32  Type = "uint32"
	Float32 Type = "float32" // IEEE 754 binary32
)

// Order is the order of the bytes on the wire; A is the most significant one
// of four. Of two bytes, ABCD and CDAB send the most significant one first.
type Order string

// The orders.
const (
	ABCD Order = "ABCD"
	CDAB Order = "CDAB"
	BADC Order = "BADC"
	DCBA Order = "DCBA"
)

// Register is one quantity in the register map of an instrument. A value that
// the type cannot hold is held at the nearest one it can.
type Register struct {
	At    uint16 // address on the wire, from 0
	Shows Shows
	Type  Type
	Order Order // empty for ABCD
	Step  int64 // mN or Pa that a raw 1 stands for; 0 for 1
}

// IndicatorRegisters is the map of the load indicator. Functions 3 and 4 read
// the same; functions 1 and 2 read the status bits from address 0.
//
//	 0-1   float32 force in kN            16-17 uint32 calibration constant, nV/V
//	 2     status: 1 stable,              18-19 int32 force in N, CDAB
//	       2 over range, 4 not ready      20-21 int32 force in N, BADC
//	 3-4   int32 force in N               22-23 int32 force in N, DCBA
//	 5     int16 force in 10 N            24-25 uint32 force in N, CDAB
//	 6     uint16 force in 10 N           26-27 uint32 force in N, BADC
//	 7-8   uint32 force in N              28-29 uint32 force in N, DCBA
//	 9     uint16 count of values         30    int16 force in 10 N, low byte first
//	10-11  float32 force in kN, CDAB      31    uint16 force in 10 N, low byte first
//	12-13  float32 force in kN, BADC
//	14-15  float32 force in kN, DCBA
func IndicatorRegisters() []Register {
	const n, decanewton, kn = int64(peak.Newton), 10 * int64(peak.Newton), int64(peak.Kilonewton)
	return []Register{
		{At: 0, Type: Float32, Step: kn},
		{At: 2, Shows: ShowsStatus, Type: Uint16},
		{At: 3, Type: Int32, Step: n},
		{At: 5, Type: Int16, Step: decanewton},
		{At: 6, Type: Uint16, Step: decanewton},
		{At: 7, Type: Uint32, Step: n},
		{At: 9, Shows: ShowsUpdates, Type: Uint16},
		{At: 10, Type: Float32, Order: CDAB, Step: kn},
		{At: 12, Type: Float32, Order: BADC, Step: kn},
		{At: 14, Type: Float32, Order: DCBA, Step: kn},
		{At: 16, Shows: ShowsConstant, Type: Uint32},
		{At: 18, Type: Int32, Order: CDAB, Step: n},
		{At: 20, Type: Int32, Order: BADC, Step: n},
		{At: 22, Type: Int32, Order: DCBA, Step: n},
		{At: 24, Type: Uint32, Order: CDAB, Step: n},
		{At: 26, Type: Uint32, Order: BADC, Step: n},
		{At: 28, Type: Uint32, Order: DCBA, Step: n},
		{At: 30, Type: Int16, Order: DCBA, Step: decanewton},
		{At: 31, Type: Uint16, Order: DCBA, Step: decanewton},
	}
}

// TransducerRegisters is the map of the pressure transducer.
//
//	0    uint16 pressure in 0.01 bar
//	1    status, as in the load indicator
//	2-3  float32 pressure in bar
//	4-5  int32 pressure in Pa
func TransducerRegisters() []Register {
	return []Register{
		{At: 0, Shows: ShowsPressure, Type: Uint16, Step: int64(peak.Kilopascal)},
		{At: 1, Shows: ShowsStatus, Type: Uint16},
		{At: 2, Shows: ShowsPressure, Type: Float32, Step: int64(peak.Bar)},
		{At: 4, Shows: ShowsPressure, Type: Int32},
	}
}

// width is how many registers it takes.
func (r Register) width() int {
	if r.Type == Int16 || r.Type == Uint16 {
		return 1
	}
	return 2
}

func (r Register) validate() error {
	switch r.Type {
	case Int16, Uint16, Int32, Uint32, Float32:
	default:
		return fmt.Errorf("register %d: %q is no type", r.At, r.Type)
	}
	switch r.Order {
	case "", ABCD, CDAB, BADC, DCBA:
	default:
		return fmt.Errorf("register %d: %q is no order", r.At, r.Order)
	}
	if r.Step < 0 || r.Shows > ShowsUpdates || int(r.At)+r.width() > 0x10000 {
		return fmt.Errorf("register %d is out of range", r.At)
	}
	return nil
}

// words is what the register holds, as it goes on the wire; the second word
// means nothing for a register of 16 bits.
func (r Register) words(v Values) [2]uint16 {
	raw := r.raw(v)
	if r.width() == 1 {
		if r.Order == BADC || r.Order == DCBA {
			raw = uint32(bits.ReverseBytes16(uint16(raw)))
		}
		return [2]uint16{uint16(raw)}
	}
	switch r.Order {
	case CDAB:
		raw = bits.RotateLeft32(raw, 16)
	case BADC:
		raw = bits.RotateLeft32(bits.ReverseBytes32(raw), 16)
	case DCBA:
		raw = bits.ReverseBytes32(raw)
	}
	return [2]uint16{uint16(raw >> 16), uint16(raw)}
}

// raw is the number as it is held, before its bytes are put in order.
func (r Register) raw(v Values) uint32 {
	value, step := r.value(v), max(r.Step, 1)
	if r.Type == Float32 {
		if v.NaN {
			return 0x7FC00000
		}
		return math.Float32bits(float32(float64(value) / float64(step)))
	}
	low, high := r.bounds()
	return uint32(min(max(roundDiv(value, step), low), high))
}

func (r Register) value(v Values) int64 {
	switch r.Shows {
	case ShowsPressure:
		return int64(v.Pressure)
	case ShowsStatus:
		return int64(v.Status)
	case ShowsConstant:
		return int64(v.Constant)
	case ShowsUpdates:
		return int64(v.Updates)
	}
	return int64(v.Force)
}

func (r Register) bounds() (low, high int64) {
	switch r.Type {
	case Int16:
		return math.MinInt16, math.MaxInt16
	case Uint16:
		return 0, math.MaxUint16
	case Int32:
		return math.MinInt32, math.MaxInt32
	}
	return 0, math.MaxUint32
}

// roundDiv divides and rounds half away from zero; d must be positive.
func roundDiv(n, d int64) int64 {
	whole, rest := n/d, n%d
	if 2*max(rest, -rest) >= d {
		whole += int64(cmp.Compare(n, 0))
	}
	return whole
}
