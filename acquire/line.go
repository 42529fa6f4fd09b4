package acquire

import (
	"context"
	"time"

	"thimbled/acquire/modbus"
	"thimbled/acquire/serialport"
	"thimbled/acquire/text"
	"thimbled/peak"
)

// Kind says how a line talks.
type Kind string

// The kinds of lines.
const (
	RTU        Kind = "rtu"          // Modbus RTU on a serial port
	TCP        Kind = "tcp"          // Modbus TCP
	RTUOverTCP Kind = "rtu-over-tcp" // Modbus RTU through a serial device server
	Text       Kind = "text"         // lines of text, on a serial port or through a device server
)

// Opener opens a line.
type Opener func(ctx context.Context, l Line) (modbus.Port, error)

// Line is one wire and the instruments on it.
type Line struct {
	Name string
	Kind Kind

	// Serial is the port of RTU and Text lines.
	Serial serialport.Settings
	// Address is the host:port of the other kinds, and of a Text line whose
	// Serial has no device.
	Address string
	// LineBaud is the rate of the serial line behind a device server; it
	// decides the silence between frames. 0 means that it is not known.
	LineBaud int
	// Echo says whether the adapter of a Modbus line repeats what is sent.
	Echo modbus.Echo
	// WorstAnswer is the longest time after which any instrument of the line
	// may still answer; 0 means [modbus.DefaultWorstAnswer]. After a failed
	// exchange nothing is sent before it is over.
	WorstAnswer time.Duration
	// Terminators are the characters that end a line of text; empty means
	// [text.DefaultTerminators].
	Terminators string

	// Instruments share the line. A Text line that prints by itself has one.
	Instruments []Instrument

	// Open opens the line; nil means the function [Open].
	Open Opener
	// Sleep waits for a moment, or less when ctx ends, which is an error then; nil
	// means as exactly as the system can.
	Sleep func(ctx context.Context, until time.Time) error
	// Wrap is put around each port that was opened, for example to record
	// what passes; nil means nothing is.
	Wrap func(modbus.Port) modbus.Port
}

// Register is where a number is in a Modbus device.
type Register struct {
	Table   modbus.Table // modbus.Input or modbus.Holding
	Address uint16       // from 0, as on the wire
	Type    modbus.Type
	Order   modbus.Order
}

// Bits are some bits of a status register that have one meaning.
type Bits struct {
	// Mask has the bits; 0 means that nothing has this meaning.
	Mask uint16
	// Clear turns the meaning round: it holds while all the bits are 0,
	// instead of while any is 1.
	Clear bool
}

// in says whether the meaning holds.
func (b Bits) in(status uint16) bool {
	return b.Mask != 0 && (status&b.Mask != 0) != b.Clear
}

// Status is a register whose bits tell of the value.
type Status struct {
	Table   modbus.Table
	Address uint16
	// A sample is bad while one of these holds.
	NotReady, OverRange, UnderRange Bits
	// Stable holds while the instrument calls its value stable.
	Stable Bits
}

func (s Status) mapped() bool {
	return s.NotReady.Mask|s.OverRange.Mask|s.UnderRange.Mask|s.Stable.Mask != 0
}

// Instrument is one instrument and how its value is found.
type Instrument struct {
	Name     string
	Measures Quantity
	// Every is the time from one poll to the next, Timeout how long an answer
	// is waited for.
	Every, Timeout time.Duration

	// value = Scale x raw + Offset in the instrument's unit, of which one is
	// UnitFactor newtons or pascals.
	Scale, Offset float64
	UnitFactor    float64
	// Curve stands in place of Scale and Offset, which are left out of it.
	Curve peak.Maybe[Curve]
	// Lowest and Highest bound what is plausible, in millinewtons or pascals.
	// A value beyond is under or over range.
	Lowest, Highest peak.Maybe[int64]

	// Of Modbus lines. Registers that lie within sixteen of each other in one
	// table are read in one request, so that they tell of the same moment.
	// A Constant further off is read every ten seconds.
	UnitID   byte
	Value    Register
	Status   Status
	Constant peak.Maybe[Register]

	// Of Text lines. Format finds the value. Ask is sent, byte for byte, to
	// get a line; empty when lines come by themselves. It must be a request
	// to read: nothing else may go to an instrument. A unit that a line has
	// must be one of peak's; it counts in place of UnitFactor.
	Format *text.Format
	Ask    []byte
}

// continuous says whether the line brings text without being asked.
func (l *Line) continuous() bool { return l.Kind == Text && len(l.Instruments[0].Ask) == 0 }
