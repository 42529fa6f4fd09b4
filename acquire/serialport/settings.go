package serialport

import (
	"fmt"

	"go.bug.st/serial"
)

// Parity is a line's parity by name.
type Parity string

// The parities a port can have.
const (
	NoParity    Parity = "none"
	OddParity   Parity = "odd"
	EvenParity  Parity = "even"
	MarkParity  Parity = "mark"
	SpaceParity Parity = "space"
)

// Settings say which port to open, and how.
//
// A parity error cannot be seen: the kernel delivers the byte as NUL. A reader
// of a protocol without a checksum must therefore refuse every NUL.
type Settings struct {
	// Device is the path, best one below /dev/serial/by-id or by-path: names
	// like /dev/ttyUSB0 change when an adapter is plugged in again.
	Device string
	// Baud is the rate in bit/s, above 0. Unusual rates are allowed if the
	// adapter can do them.
	Baud int
	// DataBits is 5 to 8; 0 means 8.
	DataBits int
	// Parity is one of the names above; empty means none.
	Parity Parity
	// StopBits is 1 or 2; 0 means 1.
	StopBits int
}

var parities = map[Parity]serial.Parity{
	"":          serial.NoParity,
	NoParity:    serial.NoParity,
	OddParity:   serial.OddParity,
	EvenParity:  serial.EvenParity,
	MarkParity:  serial.MarkParity,
	SpaceParity: serial.SpaceParity,
}

var stopBits = map[int]serial.StopBits{0: serial.OneStopBit, 1: serial.OneStopBit, 2: serial.TwoStopBits}

// mode translates the settings for the library, whose own defaults for zero
// values would otherwise pass unnoticed.
func (s Settings) mode() (*serial.Mode, error) {
	if s.Baud <= 0 {
		return nil, fmt.Errorf("set baud %d: must be above 0", s.Baud)
	}
	if s.DataBits != 0 && (s.DataBits < 5 || s.DataBits > 8) {
		return nil, fmt.Errorf("set %d data bits: must be 5 to 8", s.DataBits)
	}
	parity, ok := parities[s.Parity]
	if !ok {
		return nil, fmt.Errorf("set parity %q: must be none, odd, even, mark or space", s.Parity)
	}
	stop, ok := stopBits[s.StopBits]
	if !ok {
		return nil, fmt.Errorf("set %d stop bits: must be 1 or 2", s.StopBits)
	}
	return &serial.Mode{BaudRate: s.Baud, DataBits: s.DataBits, Parity: parity, StopBits: stop}, nil
}

// CharacterBits counts the bits of a character on the wire: start, data, parity
// and stop bits.
func (s Settings) CharacterBits() int {
	bits := 1 + s.DataBits + s.StopBits
	if s.DataBits == 0 {
		bits += 8
	}
	if s.StopBits == 0 {
		bits++
	}
	if s.Parity != "" && s.Parity != NoParity {
		bits++
	}
	return bits
}
