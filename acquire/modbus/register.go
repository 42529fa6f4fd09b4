package modbus

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// Type is how a number is kept in registers.
type Type uint8

// The types.
const (
	Int16 Type = iota
	Uint16
	Int32
	Uint32
	Float32
	types
)

// Order is the order in which the bytes of a number come, A being the most
// significant. Of a 16-bit number, which has no second register, ABCD and CDAB
// send the high byte first, BADC and DCBA the low byte.
type Order uint8

// The orders.
const (
	ABCD Order = iota // big-endian, as the standard sends a register
	CDAB              // registers swapped
	BADC              // bytes swapped within each register
	DCBA              // little-endian
	orders
)

var (
	typeWords  = [types]string{"int16", "uint16", "int32", "uint32", "float32"}
	orderWords = [orders]string{"ABCD", "CDAB", "BADC", "DCBA"}
)

// String is the word used in configs.
func (t Type) String() string {
	if t >= types {
		return fmt.Sprintf("type %d", uint8(t))
	}
	return typeWords[t]
}

// String is the word used in configs.
func (o Order) String() string {
	if o >= orders {
		return fmt.Sprintf("order %d", uint8(o))
	}
	return orderWords[o]
}

// ParseType returns the type that word names.
func ParseType(word string) (t Type, ok bool) {
	i := slices.Index(typeWords[:], word)
	return Type(max(i, 0)), i >= 0
}

// ParseOrder returns the order that word names.
func ParseOrder(word string) (o Order, ok bool) {
	i := slices.Index(orderWords[:], word)
	return Order(max(i, 0)), i >= 0
}

// Registers is the number of registers that a number of the type takes.
func (t Type) Registers() int {
	if t < Int32 {
		return 1
	}
	return 2
}

// Decode returns the number at the start of data, which is as on the wire. The
// number is exact: a float64 holds every value of every type. ok is false for a
// number that is none (NaN, infinity) and for data that are too short.
func Decode(data []byte, t Type, o Order) (value float64, ok bool) {
	if t >= types || o >= orders || len(data) < 2*t.Registers() {
		return 0, false
	}
	if t.Registers() == 1 {
		return decode16(data, t, o), true
	}
	bits := order32(data, o)
	switch t {
	case Int32:
		return float64(int32(bits)), true
	case Uint32:
		return float64(bits), true
	}
	value = float64(math.Float32frombits(bits))
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, false
	}
	return value, true
}

func decode16(data []byte, t Type, o Order) float64 {
	bits := binary.BigEndian.Uint16(data)
	if o == BADC || o == DCBA {
		bits = binary.LittleEndian.Uint16(data)
	}
	if t == Int16 {
		return float64(int16(bits))
	}
	return float64(bits)
}

// order32 puts two registers together. The names say at which place of the
// number each received byte belongs.
func order32(d []byte, o Order) uint32 {
	switch o {
	case CDAB:
		return binary.BigEndian.Uint32([]byte{d[2], d[3], d[0], d[1]})
	case BADC:
		return binary.BigEndian.Uint32([]byte{d[1], d[0], d[3], d[2]})
	case DCBA:
		return binary.LittleEndian.Uint32(d)
	}
	return binary.BigEndian.Uint32(d)
}

// Bit returns bit i of an answer of coils or discrete inputs, or of registers
// where bit 0 is the lowest of the first byte. ok is false beyond the data.
func Bit(data []byte, i int) (set, ok bool) {
	if i < 0 || i/8 >= len(data) {
		return false, false
	}
	return data[i/8]>>(i%8)&1 != 0, true
}

// Decoding is one way to understand what an instrument answered.
type Decoding struct {
	Type  Type
	Order Order
	Value float64
	// Number is false when the bytes are no number in this type.
	Number bool
}

// Decodings returns every way to understand the number at the start of data
// that gives another value by another rule: the 16-bit types in two orders,
// and with two registers the 32-bit types in four.
func Decodings(data []byte) []Decoding {
	var all []Decoding
	for t := range types {
		if len(data) < 2*t.Registers() {
			continue
		}
		for o := range orders {
			if t.Registers() == 1 && (o == CDAB || o == DCBA) {
				continue
			}
			value, ok := Decode(data, t, o)
			all = append(all, Decoding{t, o, value, ok})
		}
	}
	return all
}

// Sizes that the values of a measuring instrument keep within, whatever its
// unit (common practice: a wrong order of a float shows as 1e-38 or 1e+30).
const (
	leastPlausible = 1e-6
	mostPlausible  = 1e9
)

// Plausible says that the value could be a measured one: zero, or of a size
// between 1e-6 and 1e9.
func (d Decoding) Plausible() bool {
	size := math.Abs(d.Value)
	return d.Number && (size == 0 || size >= leastPlausible && size <= mostPlausible)
}
