package bench

import (
	"bytes"
	"encoding/hex"
	"math"
	"strings"
	"testing"

	"thimbled/peak"
)

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The bytes of each register, written out by hand: 123.45 kN is 0x42F6E666 as
// an IEEE 754 binary32, 123450 N is 0x0001E23A and 12345 x 10 N is 0x3039. The
// order of bytes is that of the letters, A being the most significant one.
func TestEachRegisterHoldsWhatItsMapSays(t *testing.T) {
	v := Values{
		Force: 123_450 * peak.Newton, Pressure: 123_456_78 * peak.Pascal / 2, Status: Stable | NotReady,
		Constant: 2_000_000, Updates: 0xABCD,
	}
	load := LoadUnit(1, Dock3.Indicator, nil)
	gauge := PressureUnit(2, Dock3.Transducer, nil)
	for _, c := range []struct {
		unit     Unit
		at       byte
		want, is string
	}{
		{load, 0, "42F6 E666", "float32 ABCD"},
		{load, 2, "0005", "status"},
		{load, 3, "0001 E23A", "int32 ABCD"},
		{load, 5, "3039", "int16"},
		{load, 6, "3039", "uint16"},
		{load, 7, "0001 E23A", "uint32 ABCD"},
		{load, 9, "ABCD", "count of values"},
		{load, 10, "E666 42F6", "float32 CDAB"},
		{load, 12, "F642 66E6", "float32 BADC"},
		{load, 14, "66E6 F642", "float32 DCBA"},
		{load, 16, "001E 8480", "constant"},
		{load, 18, "E23A 0001", "int32 CDAB"},
		{load, 20, "0100 3AE2", "int32 BADC"},
		{load, 22, "3AE2 0100", "int32 DCBA"},
		{load, 24, "E23A 0001", "uint32 CDAB"},
		{load, 26, "0100 3AE2", "uint32 BADC"},
		{load, 28, "3AE2 0100", "uint32 DCBA"},
		{load, 30, "3930", "int16 low byte first"},
		{load, 31, "3930", "uint16 low byte first"},
		{gauge, 0, "181D", "uint16 in 0.01 bar"}, // 61.72839 bar
		{gauge, 1, "0005", "status"},
		{gauge, 2, "4276 E9DF", "float32 in bar"},
		{gauge, 4, "005E 30A7", "int32 in Pa"},
	} {
		data := unhex(t, c.want)
		for _, function := range []byte{3, 4} {
			got := c.unit.answer([]byte{function, 0, c.at, 0, byte(len(data) / 2)}, v)
			if want := append([]byte{function, byte(len(data))}, data...); !bytes.Equal(got, want) {
				t.Errorf("unit %d register %d (%s): % X, want % X", c.unit.ID, c.at, c.is, got, want)
			}
		}
	}
}

func TestRegistersHoldTheNearestValueTheyCan(t *testing.T) {
	unit := LoadUnit(1, Dock3.Indicator, nil)
	for _, c := range []struct {
		force peak.Force
		at    byte
		want  string
	}{
		{-1_500 * peak.Newton, 3, "FFFF FA24"},
		{-1_500 * peak.Newton, 5, "FF6A"},
		{-1_500 * peak.Newton, 6, "0000"},
		{-1_500 * peak.Newton, 7, "0000 0000"},
		{400 * peak.Kilonewton, 5, "7FFF"},
		{-400 * peak.Kilonewton, 5, "8000"},
		{700 * peak.Kilonewton, 6, "FFFF"},
		{3000 * peak.Meganewton, 3, "7FFF FFFF"},
		{5000 * peak.Meganewton, 7, "FFFF FFFF"},
		{15_000, 5, "0002"},  // 1.5 counts, half away from zero
		{-15_000, 5, "FFFE"}, // the same below zero
		{14_999, 5, "0001"},
	} {
		data := unhex(t, c.want)
		got := unit.answer([]byte{4, 0, c.at, 0, byte(len(data) / 2)}, Values{Force: c.force})
		if !bytes.Equal(got[2:], data) {
			t.Errorf("%s in register %d is % X, want % X", c.force, c.at, got[2:], data)
		}
	}
	nan := unit.answer([]byte{4, 0, 0, 0, 2}, Values{NaN: true})
	bits := uint32(nan[2])<<24 | uint32(nan[3])<<16 | uint32(nan[4])<<8 | uint32(nan[5])
	if f := math.Float32frombits(bits); f == f {
		t.Errorf("not a number is %v", f)
	}
}

func TestStatusBitsAreDiscreteInputs(t *testing.T) {
	unit := LoadUnit(1, Dock3.Indicator, nil)
	v := Values{Status: Stable | NotReady | 0x8200}
	for request, want := range map[string]string{
		"01 0000 0003": "01 01 05",
		"02 0000 0010": "02 02 05 82",
		"02 0001 0002": "02 01 02",
		"02 0009 0007": "02 01 41",
		"01 0000 0011": "81 02",
		"01 0010 0001": "81 02",
		"02 0000 07D1": "82 03",
		"02 0000 0000": "82 03",
	} {
		if got := unit.answer(unhex(t, request), v); !bytes.Equal(got, unhex(t, want)) {
			t.Errorf("%s: % X, want %s", request, got, want)
		}
	}
}

// Exceptions as in the Modbus Application Protocol V1.1b3: 1 for a function
// that is not served, 3 for a bad quantity, 2 for a bad address, in this order.
func TestExceptions(t *testing.T) {
	unit := LoadUnit(1, Dock3.Indicator, nil)
	for request, want := range map[string]string{
		"04 0000 0020":              "", // the whole map
		"04 0000 0021":              "84 02",
		"04 001F 0002":              "84 02",
		"03 FFFF 0001":              "83 02",
		"03 FFFF 007D":              "83 02",
		"03 0000 0000":              "83 03",
		"03 0000 007E":              "83 03",
		"04 0000":                   "84 03",
		"04 0000 0001 00":           "84 03",
		"05 0000 FF00":              "85 01",
		"06 0001 0003":              "86 01",
		"0F 0000 0001 01 01":        "8F 01",
		"10 0000 0001 02 00 01":     "90 01",
		"2B 0E 01 00":               "AB 01",
		"17 0000 0001 0000 0000 00": "97 01",
	} {
		got := unit.answer(unhex(t, request), Values{})
		if want == "" {
			if len(got) != 2+64 || got[0] != 4 {
				t.Errorf("%s: % X", request, got)
			}
		} else if !bytes.Equal(got, unhex(t, want)) {
			t.Errorf("%s: % X, want %s", request, got, want)
		}
	}
}

func TestBadMapsAreRefused(t *testing.T) {
	values := func() Values { return Values{} }
	for name, u := range map[string]Unit{
		"id 0":        {ID: 0, Values: values},
		"id 248":      {ID: 248, Values: values},
		"no values":   {ID: 1},
		"no type":     {ID: 1, Values: values, Registers: []Register{{Type: "int8"}}},
		"no order":    {ID: 1, Values: values, Registers: []Register{{Type: Int16, Order: "ACBD"}}},
		"beyond end":  {ID: 1, Values: values, Registers: []Register{{Type: Int32, At: 0xFFFF}}},
		"no quantity": {ID: 1, Values: values, Registers: []Register{{Type: Int32, Shows: 9}}},
		"bad step":    {ID: 1, Values: values, Registers: []Register{{Type: Int32, Step: -1}}},
	} {
		if _, err := NewLine(LineSettings{Kind: RTU}, NewFaultList(1), u); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

func TestIndicatorRoundsToItsDivision(t *testing.T) {
	n := indicator{Indicator: Dock3.Indicator}
	for sample, want := range map[peak.Force]peak.Force{
		0: 0, 24_999: 0, 25_000: 50_000, 74_999: 50_000, -25_000: -50_000, -24_999: 0,
		100_012_345: 100_000_000, 262_500_000: 262_500_000,
	} {
		if n.update(sample); n.values.Force != want || n.values.Status&OverRange != 0 {
			t.Errorf("%s is shown as %s, status %d; want %s", sample, n.values.Force, n.values.Status, want)
		}
	}
	for _, sample := range []peak.Force{262_525_000, -300_000_000} {
		n.update(sample)
		if n.values.Status&OverRange == 0 || max(n.values.Force, -n.values.Force) != 262_500_000 {
			t.Errorf("%s is shown as %s, status %d", sample, n.values.Force, n.values.Status)
		}
	}
}

func TestIndicatorKnowsWhenItIsStable(t *testing.T) {
	n := indicator{Indicator: Dock3.Indicator}
	for i := range stableFor {
		if n.update(peak.Force(i) * 50 * peak.Newton); i >= 3 && n.values.Status&Stable != 0 {
			t.Errorf("stable while rising, value %d", i)
		}
	}
	still := n.recent[stableFor-1]
	for i := 1; i <= stableFor; i++ {
		n.update(still)
		if stable := n.values.Status&Stable != 0; stable != (i >= stableFor-3) {
			t.Errorf("after %d equal values stable is %v", i, stable)
		}
	}
}

func TestIndicatorUpdatesAtItsOwnRate(t *testing.T) {
	s, err := NewSimulation(Setup{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	s.Advance(1e9)
	if n := s.Now().Load.Updates; n != 51 { // at 0, 20, ... 1000 ms
		t.Errorf("%d values in a second, want 51", n)
	}
}
