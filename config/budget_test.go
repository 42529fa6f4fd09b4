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
		near(t, baud, "character", l.halfCharacters(2), row[2])
		near(t, baud, "silence", l.silence(), row[4])
	}
}

func near(t *testing.T, baud int, what string, got time.Duration, micros string) {
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

// A status register beside the value costs one register more, elsewhere an
// exchange of its own.
func TestPollTime(t *testing.T) {
	l := Line{Kind: RTU, Baud: 19200, DataBits: 8, Parity: EvenParity, StopBits: 1}
	for status, want := range map[uint16]time.Duration{
		9: l.ExchangeTime(3), 10: l.ExchangeTime(2), 11: l.ExchangeTime(2), 12: l.ExchangeTime(3),
		8: l.ExchangeTime(2) + l.ExchangeTime(1), 13: l.ExchangeTime(2) + l.ExchangeTime(1),
	} {
		i := Instrument{Register: 10, Type: Float32, Status: Status{Register: peak.Known(status)}}
		if got := l.pollTime(i); got != want {
			t.Errorf("status in %d: %v, want %v", status, got, want)
		}
	}
}
