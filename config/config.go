package config

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"thimbled/config/rules"
	"thimbled/peak"
)

// Config is a checked file with every default filled in.
type Config struct {
	Bench    Bench
	Ranges   []Range // none: the indicator has one range
	Lines    []Line  // at least one; names are unique
	Load     Indicator
	Pressure *Transducer // nil: the bench has no pressure transducer
	Cylinder peak.Maybe[peak.Cylinder]
	Capture  peak.Capture
	Zero     peak.Zeroing
	Decision Decision
	Journal  Journal
	Seal     Seal
	Access   Access
	NATS     NATS
	HTTP     HTTP
	Loft     Loft
	// Rules are the loft's own, beside the published ones of [rules.All].
	Rules []rules.Rule

	// Path is the file it was read from; empty if it came from elsewhere.
	Path string
	// Digest is the SHA-256 of the file's bytes in lower-case hex.
	Digest string
	// Warnings are what is allowed but worth a second look.
	Warnings Problems

	parameters []Parameter
}

// Bench is the frame with its cylinder.
type Bench struct {
	ID       string // letters, digits, - and _
	Capacity peak.Force
	Division peak.Force // the indicator's smallest step
	Show     peak.ForceUnit
	Travel   peak.Length // longest item that can be pulled in one go; 0 if not told
	Grip     peak.Length // what a grip on an item's body takes of the travel and does not load
}

// Kind says how a line talks.
type Kind string

// The kinds of lines.
const (
	RTU        Kind = "rtu"          // Modbus RTU on a serial port
	TCP        Kind = "tcp"          // Modbus TCP
	RTUOverTCP Kind = "rtu-over-tcp" // Modbus RTU frames through a serial device server
	Text       Kind = "text"         // lines of text, on a serial port or through a device server
)

// Parity of a serial line.
type Parity string

// The parities.
const (
	NoParity   Parity = "none"
	EvenParity Parity = "even"
	OddParity  Parity = "odd"
)

// Echo says whether the adapter gives back what is sent.
type Echo string

// The ways to treat an echo.
const (
	EchoAuto Echo = "auto" // find out
	EchoOn   Echo = "on"
	EchoOff  Echo = "off"
)

// Line is one wire, serial or network, that instruments hang on.
type Line struct {
	Name string
	Kind Kind

	// Of the kinds rtu and text. A text line that has an address has no device.
	Device   string
	Baud     int
	DataBits int // 7 or 8
	Parity   Parity
	StopBits int // 1 or 2

	// Address is host:port, of the kinds tcp, rtu-over-tcp and of text.
	Address string
	// LineBaud is the speed behind a device server, of the kind rtu-over-tcp.
	LineBaud int
	// Echo is of the kinds rtu and rtu-over-tcp.
	Echo Echo
	// WorstAnswer is the longest time after which an answer may still come, of
	// the kinds rtu and rtu-over-tcp: the line is left alone so long after a
	// failed exchange.
	WorstAnswer time.Duration

	// Of the kind text: regular expressions, checked. Pattern has the group
	// value and may have sign, unit, stable and moving. The others are for lines
	// without a value and empty if there are none.
	Pattern, NotReady, OverRange, UnderRange string

	Ask        string // sent to get a line; empty: lines come by themselves
	Terminator string // each of these characters ends a line
}

// Table is a table of registers of a Modbus device.
type Table string

// The tables that are read.
const (
	Input   Table = "input"   // function 4
	Holding Table = "holding" // function 3
)

// Type says how registers make a number.
type Type string

// The types.
const (
	Int16   Type = "int16"
	Uint16  Type = "uint16"
	Int32   Type = "int32"
	Uint32  Type = "uint32"
	Float32 Type = "float32"
)

// Registers returns how many registers a value takes.
func (t Type) Registers() int {
	if t == Int16 || t == Uint16 {
		return 1
	}
	return 2
}

// Order is the order of the four bytes of a value of two registers.
type Order string

// The orders.
const (
	ABCD Order = "ABCD"
	CDAB Order = "CDAB"
	BADC Order = "BADC"
	DCBA Order = "DCBA"
)

// Instrument is what load indicator and pressure transducer have in common.
type Instrument struct {
	Line    string        // name of its line
	Every   time.Duration // from one reading to the next
	Timeout time.Duration // how long an answer is waited for
	// Scale and Offset make a quantity from what the instrument says:
	// scale x raw + offset, in the instrument's unit.
	Scale, Offset float64

	// Of Modbus lines.
	UnitID   uint8
	Table    Table
	Register uint16
	Type     Type
	Order    Order
	Status   Status
}

// Status is a register of bits that tell of the value; bits count from 0, the
// least significant.
type Status struct {
	Register      peak.Maybe[uint16]
	OverRangeBit  peak.Maybe[uint8]
	UnderRangeBit peak.Maybe[uint8]
	NotReadyBit   peak.Maybe[uint8]
	ReadyBit      peak.Maybe[uint8] // the other way round: not ready while 0
	StableBit     peak.Maybe[uint8] // of the load only
}

// Indicator is the load indicator.
type Indicator struct {
	Instrument
	Unit peak.ForceUnit
	// Curve stands in place of Scale and Offset, which are then 1 and 0.
	Curve           peak.Maybe[Curve]
	Serial          string     // of load cell and indicator; may be empty
	Lowest, Highest peak.Force // values beyond are not plausible
	// Constant is a register with the calibration constant.
	ConstantRegister peak.Maybe[uint16]
	ConstantType     Type
	// StuckAfter is how long a value may stay the same while the pressure
	// moves; 0 turns the check off.
	StuckAfter time.Duration
}

// Transducer is the pressure transducer.
type Transducer struct {
	Instrument
	Unit            peak.PressureUnit
	Lowest, Highest peak.Maybe[peak.Pressure] // values beyond are not plausible
}

// Journal says where records are kept.
type Journal struct {
	Dir         string // as written, empty if not; see [Config.JournalDir]
	SegmentSize int64  // bytes
	MinFree     int64  // bytes that must be free before a test
	// KeepTraces is for how many calendar months traces are kept; 0: for ever.
	KeepTraces int
}

// NATS says how the world is told.
type NATS struct {
	Listen       string        // host:port of the embedded server; empty if URL is set
	URL          string        // of a server that runs already
	StoreDir     string        // as written, empty if not; see [Config.StoreDir]
	ReadingEvery time.Duration // 0: every reading
	// How the daemon signs in at URL, and who vouches for that server: files,
	// which may begin with [Credentials]; empty if not. One of the first two at most.
	Credentials, NKey, CA string
}

// HTTP says where page, metrics and health are.
type HTTP struct{ Listen string }

// Loft is who tests, as certificates name it. All but Paper may be empty.
type Loft struct {
	Name    string
	Address []string // lines
	Contact string   // such as telephone and e-mail
	Paper   Paper
}

// Paper is a size of paper.
type Paper string

// The sizes of paper.
const (
	A4     Paper = "A4"
	Letter Paper = "Letter"
)

// Settings returns what the core works by.
func (c *Config) Settings() peak.Settings {
	s := peak.Settings{
		Capacity: c.Bench.Capacity, Division: c.Bench.Division, Capture: c.Capture, Zero: c.Zero,
		Serial: c.Load.Serial, Scale: c.Load.Scaling(), Cylinder: c.Cylinder,
	}
	for _, r := range c.Ranges {
		s.Ranges = append(s.Ranges, peak.Range(r))
	}
	return s
}

// Scaling says how a raw signal is made a force, for a verification to name: empty
// when the indicator gives forces itself.
func (i *Indicator) Scaling() string {
	switch {
	case i.Curve.Known:
		return fmt.Sprintf("%v %v", &i.Curve.Value, i.Unit)
	case i.Scale == 1 && i.Offset == 0:
		return ""
	}
	return fmt.Sprintf("%v x raw + %v %s", i.Scale, i.Offset, i.Unit)
}

// Line returns the line called name.
func (c *Config) Line(name string) (Line, bool) {
	for _, l := range c.Lines {
		if l.Name == name {
			return l, true
		}
	}
	return Line{}, false
}

const largestFile = 256 << 10

// ErrTooLarge says that a file is no config: none needs 256 KiB.
var ErrTooLarge = errors.New("larger than 256 KiB, which no config needs")

// Load reads and checks the file at path. The error is a [Problems] if the file
// could be read but is wrong.
func Load(path string) (*Config, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read config: %w", err)
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, largestFile+1))
	if err != nil {
		return nil, fmt.Errorf("read config: %w", err)
	}
	if len(data) > largestFile {
		return nil, fmt.Errorf("read config: %s: %w", path, ErrTooLarge)
	}
	c, err := Parse(path, data)
	if err != nil {
		return nil, err
	}
	c.Path = path
	return c, nil
}

// Parse checks a file's contents; name is its name in problems. The error is a
// [Problems] with every problem, sorted by place.
func Parse(name string, data []byte) (*Config, error) {
	doc := readDocument(name, data)
	d := decode(doc)
	if len(d.problems) == 0 {
		d.problems = doc.checkWhole()
	}
	if len(d.problems) > 0 {
		d.problems.sort()
		return nil, d.problems
	}
	sum := sha256.Sum256(data)
	d.cfg.Digest = hex.EncodeToString(sum[:])
	d.warn()
	d.cfg.Warnings.sort()
	return d.cfg, nil
}
