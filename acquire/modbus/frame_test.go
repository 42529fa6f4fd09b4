package modbus

import (
	"bytes"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// table reads a CSV of worked examples; each row is keyed by the header.
func table(t *testing.T, name string, least int) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, key := range lines[0] {
			row[key] = line[i]
		}
		rows = append(rows, row)
	}
	if len(rows) < least {
		t.Fatalf("%s has %d rows, want at least %d", name, len(rows), least)
	}
	return rows
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func number(t *testing.T, s string, bits int) uint64 {
	t.Helper()
	n, err := strconv.ParseUint(s, 0, bits)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Source: testdata/modbus_frames.csv, whose rows name the document each.
func TestPublishedFrames(t *testing.T) {
	for _, row := range table(t, "modbus_frames.csv", 17) {
		t.Run(row["id"], func(t *testing.T) {
			body, check := unhex(t, row["unit_and_pdu_hex"]), unhex(t, row["crc_wire_lo_hi"])
			if got, want := CRC(body), uint16(number(t, row["crc_value"], 16)); got != want {
				t.Errorf("CRC is %#04x, want %#04x", got, want)
			}
			frame := AppendRTU([]byte("before"), body[0], body[1:])[len("before"):]
			if want := append(bytes.Clone(body), check...); !bytes.Equal(frame, want) {
				t.Errorf("frame is % x, want % x", frame, want)
			}
			unit, pdu, err := CheckRTU(frame)
			if err != nil || unit != body[0] || !bytes.Equal(pdu, body[1:]) {
				t.Errorf("CheckRTU gives %d, % x, %v", unit, pdu, err)
			}
		})
	}
}

// The check value of CRC-16 with polynomial 0xA001 and start 0xFFFF, widely
// published.
func TestCRCCheckValue(t *testing.T) {
	if got := CRC([]byte("123456789")); got != 0x4B37 {
		t.Errorf("CRC is %#04x, want 0x4b37", got)
	}
}

// Source: testdata/modbus_mbap.csv, whose rows name the document each.
func TestPublishedHeaders(t *testing.T) {
	for _, row := range table(t, "modbus_mbap.csv", 4) {
		t.Run(row["id"], func(t *testing.T) {
			adu, pdu := unhex(t, row["adu_hex"]), unhex(t, row["pdu"])
			id, unit := uint16(number(t, row["txid"], 16)), byte(number(t, row["unit"], 8))
			if got := AppendMBAP(nil, id, unit, pdu); !bytes.Equal(got, adu) {
				t.Errorf("frame is % x, want % x", got, adu)
			}
			f, err := ParseMBAP(append(bytes.Clone(adu), "next"...))
			if err != nil || f.Transaction != id || f.Unit != unit || !bytes.Equal(f.PDU, pdu) || f.Size != len(adu) {
				t.Errorf("parsed %+v, %v", f, err)
			}
			if length := int(number(t, row["length"], 16)); length != f.Size-6 {
				t.Errorf("length field is %d, size %d", length, f.Size)
			}
			for n := range adu {
				if _, err := ParseMBAP(adu[:n]); !errors.Is(err, ErrFrameShort) {
					t.Errorf("%d of %d bytes give %v", n, len(adu), err)
				}
			}
		})
	}
}

// Source: testdata/modbus_timing.csv, MODBUS over Serial Line V1.02, 2.5.1.1.
func TestPublishedTiming(t *testing.T) {
	for _, row := range table(t, "modbus_timing.csv", 8) {
		baud, bits := int(number(t, row["baud"], 32)), int(number(t, row["bits_per_char"], 8))
		near := func(what string, got time.Duration, want string) {
			us, err := strconv.ParseFloat(want, 64)
			if err != nil {
				t.Fatal(err)
			}
			if off := got - time.Duration(us*1000); off < -time.Nanosecond || off > time.Nanosecond {
				t.Errorf("%d baud: %s is %v, want %s us", baud, what, got, want)
			}
		}
		near("character", CharTime(baud, bits), row["char_us"])
		near("t3.5", Silence(baud, bits), row["t3_5_us"])
	}
}

// CRC-16 finds every error of one or two bits in a frame of this length and
// every burst of up to 16 bits (a property of the code, from memory).
func TestCheckFindsFlippedBits(t *testing.T) {
	frame := unhex(t, "11 03 06 02 2B 00 00 00 64 C8 BA")
	for i := range len(frame) * 8 {
		for j := range len(frame) * 8 {
			bad := bytes.Clone(frame)
			bad[i/8] ^= 1 << (i % 8)
			if i != j {
				bad[j/8] ^= 1 << (j % 8)
			}
			if _, _, err := CheckRTU(bad); err == nil {
				t.Fatalf("bits %d and %d flipped went unnoticed", i, j)
			}
		}
	}
}

func TestHeadersThatCannotBe(t *testing.T) {
	for name, adu := range map[string]string{
		"other protocol":       "00 01 00 01 00 06",
		"other protocol, high": "00 01 01 00",
		"length without a PDU": "00 01 00 00 00 01 11 00",
		"length 0":             "00 01 00 00 00 00 11",
		"length beyond a PDU":  "00 01 00 00 00 FF 11",
	} {
		if f, err := ParseMBAP(unhex(t, adu)); err == nil || errors.Is(err, ErrFrameShort) {
			t.Errorf("%s: %+v, %v", name, f, err)
		}
	}
}

// The request PDUs are those of MODBUS Application Protocol V1.1b3, 6.1 to 6.4 and 6.6.
func TestParseRequest(t *testing.T) {
	for _, c := range []struct {
		pdu  string
		want Request
		bad  bool
	}{
		{"01 00 13 00 25", Request{Unit: 9, Table: Coils, Address: 19, Count: 37}, false},
		{"02 00 C4 00 16", Request{Unit: 9, Table: DiscreteInputs, Address: 196, Count: 22}, false},
		{"03 00 6B 00 03", Request{Unit: 9, Table: Holding, Address: 107, Count: 3}, false},
		{"04 00 08 00 01", Request{Unit: 9, Table: Input, Address: 8, Count: 1}, false},
		{"06 00 01 00 03", Request{}, true},
		{"00 00 01 00 03", Request{}, true},
		{"04 00 08 00 00", Request{}, true},
		{"04 00 08 00 7E", Request{}, true},
		{"01 00 08 07 D1", Request{}, true},
		{"04 FF FF 00 02", Request{}, true},
		{"04 00 08 00", Request{}, true},
		{"", Request{}, true},
	} {
		got, err := ParseRequest(9, unhex(t, c.pdu))
		if (err != nil) != c.bad || !c.bad && got != c.want {
			t.Errorf("%s: %+v, %v", c.pdu, got, err)
		}
	}
}

func FuzzParseMBAP(f *testing.F) {
	f.Add([]byte{0, 1, 0, 0, 0, 3, 0x11, 0x83, 2})
	f.Add([]byte{0, 1, 0, 0, 0, 9, 0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64})
	f.Add([]byte{0, 1, 0, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		frame, err := ParseMBAP(b)
		if err != nil {
			if len(b) >= maxTCP && errors.Is(err, ErrFrameShort) {
				t.Errorf("%d bytes are still short", len(b))
			}
			return
		}
		again := AppendMBAP(nil, frame.Transaction, frame.Unit, frame.PDU)
		if !bytes.Equal(again, b[:frame.Size]) {
			t.Errorf("% x became % x", b[:frame.Size], again)
		}
	})
}
