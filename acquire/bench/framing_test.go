package bench

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"
)

// Frames and checks of modbus_frames.csv: Modbus Application Protocol V1.1b3
// and Modbus over Serial Line V1.02, and the check value of "123456789".
func TestCRCIsThatOfPublishedFrames(t *testing.T) {
	for _, row := range published(t, "modbus_frames.csv") {
		frame := append(unhex(t, row["unit_and_pdu_hex"]), unhex(t, row["crc_wire_lo_hi"])...)
		if !checks(frame) {
			t.Errorf("%s: % X does not check", row["id"], frame)
		}
		if got := appendCRC(frame[: len(frame)-2 : len(frame)-2]); !bytes.Equal(got, frame) {
			t.Errorf("%s: % X, want % X", row["id"], got, frame)
		}
		frame[0] ^= 1
		if checks(frame) {
			t.Errorf("%s: checks with a wrong bit", row["id"])
		}
	}
	if got := crc16([]byte("123456789")); got != 0x4B37 {
		t.Errorf("check value %#04x, want 0x4B37", got)
	}
}

// Silences of modbus_timing.csv.
func TestPaceIsThatOfTheSerialLine(t *testing.T) {
	near := func(got time.Duration, want float64) bool {
		return max(float64(got)/1e3-want, want-float64(got)/1e3) < 0.005
	}
	for _, row := range published(t, "modbus_timing.csv") {
		p := Pace{Baud: int(number(t, row["baud"])), Bits: int(number(t, row["bits_per_char"]))}
		if !near(p.Char(), number(t, row["char_us"])) || !near(p.Silence(), number(t, row["t3_5_us"])) {
			t.Errorf("%d baud: character %s, silence %s", p.Baud, p.Char(), p.Silence())
		}
	}
	if p := (Pace{}); p.Char() != 0 || p.Silence() != 0 {
		t.Error("a line without a baud rate has no times")
	}
}

// Frames of modbus_mbap.csv: requests are taken apart and answers put together
// as published.
func TestModbusTCPFramesAreAsPublished(t *testing.T) {
	for _, row := range published(t, "modbus_mbap.csv") {
		adu, pdu := unhex(t, row["adu_hex"]), unhex(t, row["pdu"])
		q, err := mbapFraming{wire: &played{in: adu}}.next()
		if err != nil {
			t.Fatalf("%s: %v", row["id"], err)
		}
		if int(q.unit) != int(number(t, row["unit"])) || !bytes.Equal(q.pdu, pdu) {
			t.Errorf("%s: unit %d, % X", row["id"], q.unit, q.pdu)
		}
		if got := (mbapFraming{}).pack(q, q.unit, pdu); !bytes.Equal(got, adu) {
			t.Errorf("%s: packed as % X, want % X", row["id"], got, adu)
		}
	}
}

// played is a wire that plays bytes and then ends.
type played struct {
	in  []byte
	out bytes.Buffer
}

func (s *played) Read(p []byte) (int, error) {
	if len(s.in) == 0 {
		return 0, io.EOF
	}
	n := copy(p, s.in)
	s.in = s.in[n:]
	return n, nil
}
func (s *played) Write(p []byte) (int, error)      { return s.out.Write(p) }
func (s *played) Close() error                     { return nil }
func (s *played) SetReadDeadline(time.Time) error  { return nil }
func (s *played) SetWriteDeadline(time.Time) error { return nil }

// steady are the instruments of a line without a bench: 123.45 kN and 61 bar.
func steady(t testing.TB, settings LineSettings) *Line {
	t.Helper()
	load := LoadUnit(1, Dock3.Indicator, func() Values { return Values{Force: 123_450_000, Status: Stable, Constant: 7} })
	gauge := PressureUnit(2, Dock3.Transducer, func() Values { return Values{Pressure: 6_100_000} })
	units := []Unit{load, gauge}
	if settings.Kind == Text {
		units = units[:1]
	}
	settings.Name = "steady"
	l, err := NewLine(settings, NewFaultList(9), units...)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// client is one end of a line in memory with the patience of a poller.
type client struct {
	t *testing.T
	*End
}

func dial(t *testing.T, ctx context.Context, l *Line) client {
	t.Helper()
	end, err := l.Open(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return client{t, end}
}

// ask sends a request with its CRC, and listen returns what comes within d.
func (c client) ask(pdu string) { c.send(appendCRC(unhex(c.t, pdu))) }

func (c client) send(b []byte) {
	c.t.Helper()
	if _, err := c.Write(b); err != nil {
		c.t.Fatal(err)
	}
}

func (c client) listen(d time.Duration) []byte {
	var all []byte
	buf := make([]byte, 4096)
	c.SetReadDeadline(time.Now().Add(d))
	for {
		n, err := c.Read(buf)
		all = append(all, buf[:n]...)
		if err != nil {
			return all
		}
	}
}

const (
	askLoad   = "01 04 0000 0002"
	loadReply = "01 04 04 42F6E666" // 123.45 kN as float32
	askGauge  = "02 04 0000 0001"
	gaugeRply = "02 04 02 17D4" // 61.00 bar
)

// inMemory runs a test against a line in memory on its own time.
func inMemory(t *testing.T, settings LineSettings, test func(t *testing.T, l *Line, c client)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		l := steady(t, settings)
		c := dial(t, ctx, l)
		defer c.Close()
		test(t, l, c)
	})
}

func (c client) wantReply(pdu string) {
	c.t.Helper()
	if got, want := c.listen(50*time.Millisecond), appendCRC(unhex(c.t, pdu)); !bytes.Equal(got, want) {
		c.t.Errorf("answer % X, want % X", got, want)
	}
}

func TestUnitsAnswerForThemselvesOnly(t *testing.T) {
	inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
		c.ask(askLoad)
		c.wantReply(loadReply)
		c.ask(askGauge)
		c.wantReply(gaugeRply)
		c.ask("06 04 0010 0001")
		c.ask("00 04 0000 0001") // broadcast
		if got := c.listen(time.Second); len(got) > 0 {
			t.Errorf("somebody answered for unit 6 or 0: % X", got)
		}
		c.ask("01 06 0001 0003")
		c.wantReply("01 86 01")
		c.ask("01 10 0000 0001 02 0007")
		c.wantReply("01 90 01")
		c.ask("01 2B 0E 01 00") // its length is known by silence only
		c.wantReply("01 AB 01")
		want := map[byte]int{4: 4, 6: 1, 16: 1, 0x2B: 1}
		for code, n := range l.Functions() {
			if want[code] != n {
				t.Errorf("function %d was counted %d times, want %d", code, n, want[code])
			}
			delete(want, code)
		}
		if len(want) > 0 || l.Garbled() != 0 {
			t.Errorf("functions %v were not counted, %d frames garbled", want, l.Garbled())
		}
	})
}

func TestRubbishIsNotAnswered(t *testing.T) {
	good := appendCRC(unhex(t, askLoad))
	bad := append([]byte{}, good...)
	bad[4] ^= 1
	for name, rubbish := range map[string][]byte{
		"bad CRC":      bad,
		"half":         good[:5],
		"noise":        bytes.Repeat([]byte{0x55}, 2000),
		"noise before": append([]byte{0xFF}, good...),
		"one byte":     {1},
		"empty frame":  appendCRC(nil),
		"no function":  appendCRC([]byte{1}),
	} {
		inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
			c.send(rubbish)
			if got := c.listen(time.Second); len(got) > 0 {
				t.Errorf("%s was answered: % X", name, got)
			}
			if l.Garbled() != 1 || len(l.Functions()) != 0 {
				t.Errorf("%s: %d garbled, functions %v", name, l.Garbled(), l.Functions())
			}
			c.ask(askLoad)
			c.wantReply(loadReply)
		})
	}
}

func TestRequestMayComeInPieces(t *testing.T) {
	inMemory(t, LineSettings{Kind: RTU}, func(t *testing.T, l *Line, c client) {
		for _, b := range appendCRC(unhex(t, askLoad)) {
			c.send([]byte{b})
			time.Sleep(5 * time.Millisecond)
		}
		c.wantReply(loadReply)
		c.send(append(appendCRC(unhex(t, askLoad)), appendCRC(unhex(t, askGauge))...))
		got := c.listen(50 * time.Millisecond)
		want := append(appendCRC(unhex(t, loadReply)), appendCRC(unhex(t, gaugeRply))...)
		if !bytes.Equal(got, want) {
			t.Errorf("two requests at once gave % X", got)
		}
	})
}

// At 19200 baud with parity the answer to an 8 byte request begins after its 8
// characters, 3.5 of silence and the delay, and then takes a character a byte.
func TestPacedAnswer(t *testing.T) {
	pace := Pace{Baud: 19200, Bits: 11, Delay: 3 * time.Millisecond}
	inMemory(t, LineSettings{Kind: RTU, Pace: pace}, func(t *testing.T, l *Line, c client) {
		asked := time.Now()
		c.ask(askLoad)
		const char = 572917 * time.Nanosecond
		start := 8*char + char*7/2 + 3*time.Millisecond
		buf := make([]byte, 64)
		for i := 1; i <= 9; i++ {
			n, err := c.Read(buf)
			if err != nil || n != 1 {
				t.Fatalf("byte %d: %d bytes, %v", i, n, err)
			}
			want := start + time.Duration(i)*char
			if got := time.Since(asked); max(got-want, want-got) > 10*time.Microsecond {
				t.Errorf("byte %d came after %s, want %s", i, got, want)
			}
		}
	})
}

func TestClientsInMemoryEndWithTheirContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		c := dial(t, ctx, steady(t, LineSettings{Kind: TCP}))
		cancel()
		if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
			t.Errorf("got %v, want EOF", err)
		}
	})
}

// Whatever comes in, only whole and right answers go out, and the line lives.
func FuzzRTURequests(f *testing.F) {
	f.Add([]byte{1, 4, 0, 0, 0})
	f.Add([]byte{1, 16, 0, 0, 0, 1, 2, 0, 7})
	f.Add([]byte{1, 0x2B, 14, 1, 0})
	f.Add(appendCRC([]byte{1, 4, 0, 0, 0, 2}))
	f.Add(append(appendCRC([]byte{1, 6, 0, 0, 0, 2}), appendCRC([]byte{2, 3, 0, 0, 0, 1})...))
	l := steady(f, LineSettings{Kind: RTU})
	f.Fuzz(func(t *testing.T, in []byte) {
		for _, in := range [][]byte{in, appendCRC(bytes.Clone(in))} {
			wire := &played{in: in}
			c := &conversation{line: l, wire: wire}
			if err := c.modbus(newRTUFraming(wire, Pace{}, func() {})); !errors.Is(err, io.EOF) {
				t.Fatalf("ended with %v", err)
			}
			for out := wire.out.Bytes(); len(out) > 0; {
				n := answerLength(out)
				if n > len(out) || !checks(out[:n]) {
					t.Fatalf("answered % X", out)
				}
				out = out[n:]
			}
		}
	})
}

// answerLength is the length of the RTU answer that b begins with.
func answerLength(b []byte) int {
	if len(b) < 3 || b[1]&0x80 != 0 {
		return 5
	}
	return 5 + int(b[2])
}

func FuzzTCPRequests(f *testing.F) {
	f.Add([]byte{0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2})
	f.Add([]byte{0, 1, 0, 0, 0, 3, 1, 6, 0, 0, 2, 0, 0, 0, 2, 2, 3})
	f.Add([]byte{0, 1, 0, 1, 0, 6, 1, 4, 0, 0, 0, 2})
	l := steady(f, LineSettings{Kind: TCP})
	f.Fuzz(func(t *testing.T, in []byte) {
		wire := &played{in: in}
		c := &conversation{line: l, wire: wire}
		if c.modbus(mbapFraming{wire: wire}) == nil {
			t.Fatal("ended without a reason")
		}
		for out := wire.out.Bytes(); len(out) > 0; {
			if len(out) < 8 {
				t.Fatalf("answered % X", out)
			}
			n := 6 + int(binary.BigEndian.Uint16(out[4:]))
			if n > len(out) || !bytes.Equal(out[2:4], []byte{0, 0}) {
				t.Fatalf("answered % X", out)
			}
			out = out[n:]
		}
	})
}
