package modbus

import (
	"encoding/binary"
	"math"
	"testing"
)

func TestDecode(t *testing.T) {
	for _, c := range []struct {
		data string
		kind Type
		o    Order
		want float64
	}{
		// Two's complement and IEEE 754 by their definitions.
		{"FF FE", Int16, ABCD, -2},
		{"FF FE", Int16, CDAB, -2},
		{"FE FF", Int16, BADC, -2},
		{"FE FF", Int16, DCBA, -2},
		{"80 00", Int16, ABCD, -32768},
		{"FF FE", Uint16, ABCD, 65534},
		{"FE FF", Uint16, DCBA, 65534},
		{"FF FE 1D C0", Int32, ABCD, -123456},
		{"1D C0 FF FE", Int32, CDAB, -123456},
		{"FE FF C0 1D", Int32, BADC, -123456},
		{"C0 1D FE FF", Int32, DCBA, -123456},
		{"FF FF FF FF", Uint32, ABCD, 4294967295},
		{"00 01 00 02", Uint32, CDAB, 131073},
		{"44 9A 50 00", Float32, ABCD, 1234.5},
		{"50 00 44 9A", Float32, CDAB, 1234.5},
		{"9A 44 00 50", Float32, BADC, 1234.5},
		{"00 50 9A 44", Float32, DCBA, 1234.5},
		{"BE 20 00 00", Float32, ABCD, -0.15625}, // widely published as 0.15625 = 3E200000
		{"00 00 00 01", Float32, ABCD, 0x1p-149},
		{"7F 7F FF FF", Float32, ABCD, math.MaxFloat32},
		{"44 9A 50 00 FF", Float32, ABCD, 1234.5},
	} {
		if got, ok := Decode(unhex(t, c.data), c.kind, c.o); !ok || got != c.want {
			t.Errorf("%s as %v %v: %v, %v, want %v", c.data, c.kind, c.o, got, ok, c.want)
		}
	}
}

func TestDecodeRefuses(t *testing.T) {
	for _, c := range []struct {
		data string
		kind Type
		o    Order
	}{
		{"7F C0 00 00", Float32, ABCD}, // NaN
		{"00 00 7F A0", Float32, CDAB}, // signalling NaN
		{"7F 80 00 00", Float32, ABCD}, // infinity
		{"80 FF 00 00", Float32, BADC}, // minus infinity
		{"00", Int16, ABCD},
		{"", Uint16, ABCD},
		{"00 00 00", Float32, ABCD},
		{"00 00 00 00", types, ABCD},
		{"00 00 00 00", Int32, orders},
	} {
		if got, ok := Decode(unhex(t, c.data), c.kind, c.o); ok || got != 0 {
			t.Errorf("%q as %v %v: %v, %v", c.data, c.kind, c.o, got, ok)
		}
	}
}

func TestDecodings(t *testing.T) {
	all := Decodings(unhex(t, "44 9A 50 00"))
	if len(all) != 2*2+3*4 {
		t.Fatalf("%d decodings", len(all))
	}
	plausible := map[Order]float64{}
	for _, d := range all {
		if d.Type == Float32 && d.Plausible() {
			plausible[d.Order] = d.Value
		}
	}
	// CDAB reads 0x5000449A, about 8.6e9, BADC 0x9A440050, about -4e-23, and
	// DCBA 0x00509A44, about 7e-39.
	if len(plausible) != 1 || plausible[ABCD] != 1234.5 {
		t.Errorf("plausible floats: %v", plausible)
	}
	if n := len(Decodings(unhex(t, "00 2A"))); n != 4 {
		t.Errorf("%d decodings of one register", n)
	}
	if n := len(Decodings(nil)); n != 0 {
		t.Errorf("%d decodings of nothing", n)
	}
	for _, d := range Decodings(unhex(t, "7F C0 00 00")) {
		if d.Type == Float32 && d.Order == ABCD && (d.Number || d.Plausible()) {
			t.Errorf("NaN is shown as %+v", d)
		}
	}
}

func TestWordsOfConfigs(t *testing.T) {
	for kind := range types {
		if got, ok := ParseType(kind.String()); !ok || got != kind {
			t.Errorf("%v parsed as %v, %v", kind, got, ok)
		}
	}
	for o := range orders {
		if got, ok := ParseOrder(o.String()); !ok || got != o {
			t.Errorf("%v parsed as %v, %v", o, got, ok)
		}
	}
	if _, ok := ParseType("float64"); ok {
		t.Error("float64 is a type")
	}
	if _, ok := ParseOrder("abcd"); ok {
		t.Error("abcd is an order")
	}
}

func TestBit(t *testing.T) {
	// MODBUS Application Protocol V1.1b3, 6.2: inputs 204 to 197 are AC.
	data := unhex(t, "AC DB 35")
	for i, want := range []bool{false, false, true, true, false, true, false, true} {
		if got, ok := Bit(data, i); !ok || got != want {
			t.Errorf("bit %d is %v, %v", i, got, ok)
		}
	}
	for _, i := range []int{-1, 24} {
		if _, ok := Bit(data, i); ok {
			t.Errorf("bit %d is there", i)
		}
	}
}

// FuzzDecode puts each number back into bytes by its order's name and expects
// the bytes it came from.
func FuzzDecode(f *testing.F) {
	f.Add([]byte{0x44, 0x9A, 0x50, 0})
	f.Add([]byte{0x80, 0, 0, 0})
	f.Add([]byte{0xFF})
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, d := range Decodings(data) {
			if !d.Number {
				continue
			}
			if math.IsNaN(d.Value) || math.IsInf(d.Value, 0) {
				t.Fatalf("%+v is a number", d)
			}
			sent := encode(d)
			for i, b := range sent {
				if data[i] != b {
					t.Fatalf("% x as %v %v is %v, which is % x", data, d.Type, d.Order, d.Value, sent)
				}
			}
		}
	})
}

func encode(d Decoding) []byte {
	var big [4]byte
	switch d.Type {
	case Int16:
		binary.BigEndian.PutUint16(big[2:], uint16(int16(d.Value)))
	case Uint16:
		binary.BigEndian.PutUint16(big[2:], uint16(d.Value))
	case Int32:
		binary.BigEndian.PutUint32(big[:], uint32(int32(d.Value)))
	case Uint32:
		binary.BigEndian.PutUint32(big[:], uint32(d.Value))
	case Float32:
		binary.BigEndian.PutUint32(big[:], math.Float32bits(float32(d.Value)))
	}
	var sent []byte
	for _, letter := range d.Order.String() {
		sent = append(sent, big[letter-'A'])
	}
	if d.Type.Registers() == 2 {
		return sent
	}
	if d.Order == BADC {
		return []byte{big[3], big[2]}
	}
	return big[2:]
}
