package config

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"thimbled/peak"
)

// Times: Modbus over Serial Line V1.02, section 2.5.1.1.
func TestSilenceIsThePublishedOne(t *testing.T) {
	file, err := os.Open("testdata/modbus_timing.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil || len(rows) < 5 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		baud, err := strconv.Atoi(row[0])
		if err != nil {
			t.Fatal(err)
		}
		l := Line{Kind: RTU, Baud: baud, DataBits: 8, Parity: EvenParity, StopBits: 1}
		if got := strconv.Itoa(l.characterBits()); got != row[1] {
			t.Errorf("%d baud: %s bits, want %s", baud, got, row[1])
		}
		closeTo(t, baud, "character", l.halfCharacters(2), row[2])
		closeTo(t, baud, "silence", l.silence(), row[4])
	}
}

func closeTo(t *testing.T, baud int, what string, got time.Duration, micros string) {
	t.Helper()
	want, err := strconv.ParseFloat(micros, 64)
	if err != nil || math.Abs(got.Seconds()*1e6-want) > 0.0015 { // both are rounded to the nanosecond, ours up
		t.Errorf("%d baud: %s of %v, want %s us, %v", baud, what, got, micros, err)
	}
}

// A request of 8 characters, a reply of 5 and two for each register, and two
// silences: 29 characters and 2 x 2005.2 us at 19200 baud, counted by hand.
func TestExchangeTime(t *testing.T) {
	for _, c := range []struct {
		line      Line
		registers int
		want      time.Duration
	}{
		{Line{Kind: RTU, Baud: 19200, DataBits: 8, Parity: EvenParity, StopBits: 1}, 8, 20625 * time.Microsecond},
		{Line{Kind: RTU, Baud: 19200, DataBits: 8, Parity: NoParity, StopBits: 2}, 8, 20625 * time.Microsecond},
		{Line{Kind: RTU, Baud: 115200, DataBits: 8, Parity: NoParity, StopBits: 1}, 8, 6017 * time.Microsecond},
		{Line{Kind: RTUOverTCP, LineBaud: 19200}, 8, 20625 * time.Microsecond},
		{Line{Kind: TCP}, 8, 0},
		{Line{Kind: Text, Baud: 9600, DataBits: 8, StopBits: 1}, 8, 0},
	} {
		if got := c.line.ExchangeTime(c.registers); got.Round(time.Microsecond) != c.want {
			t.Errorf("%+v: %v, want %v", c.line, got, c.want)
		}
	}
}

// Registers that lie within sixteen of each other cost one request with what lies
// between them; a status further off costs an exchange of its own.
func TestPollTime(t *testing.T) {
	l := Line{Kind: RTU, Baud: 19200, DataBits: 8, Parity: EvenParity, StopBits: 1}
	for _, c := range []struct {
		name             string
		status, constant peak.Maybe[uint16]
		want             time.Duration
	}{
		{"value alone", peak.Maybe[uint16]{}, peak.Maybe[uint16]{}, l.ExchangeTime(2)},
		{"status in front", peak.Known[uint16](99), peak.Maybe[uint16]{}, l.ExchangeTime(3)},
		{"status behind", peak.Known[uint16](102), peak.Maybe[uint16]{}, l.ExchangeTime(3)},
		{"status in the value", peak.Known[uint16](101), peak.Maybe[uint16]{}, l.ExchangeTime(2)},
		{"status with a gap", peak.Known[uint16](107), peak.Maybe[uint16]{}, l.ExchangeTime(8)},
		{"status sixteenth", peak.Known[uint16](115), peak.Maybe[uint16]{}, l.ExchangeTime(16)},
		{"status seventeenth", peak.Known[uint16](116), peak.Maybe[uint16]{}, l.ExchangeTime(2) + l.ExchangeTime(1)},
		{"constant near", peak.Known[uint16](102), peak.Known[uint16](110), l.ExchangeTime(12)},
		{"constant far", peak.Known[uint16](102), peak.Known[uint16](200), l.ExchangeTime(3)},
	} {
		i := namedInstrument{Instrument: &Instrument{Register: 100, Type: Float32}, constant: c.constant, constantType: Float32}
		i.Status = Status{Register: c.status, StableBit: peak.Maybe[uint8]{Known: c.status.Known}}
		if got := l.pollTime(i); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Eight registers at 19200 baud take 20.6 ms, so 20 ms is not possible.
func TestTooFastIsTold(t *testing.T) {
	cfg := parse(t, minimal+"every = \"20 ms\"\nunit = \"kN\"\nstatus_register = 7\nstable_bit = 0\n")
	want := "test.toml:5:3: line.baud: 19200 baud is too slow for load (20.6 ms of every 20 ms): at best load every 21 ms is possible"
	if got := cfg.Warnings.Error(); got != want {
		t.Errorf("warnings %q, want %q", got, want)
	}
	cfg = parse(t, minimal+"every = \"21 ms\"\nunit = \"kN\"\nstatus_register = 7\nstable_bit = 0\n")
	if len(cfg.Warnings) > 0 {
		t.Errorf("warnings %v", cfg.Warnings)
	}
}
