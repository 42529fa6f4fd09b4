package bench

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Fault is one way in which an instrument or its line misbehaves.
type Fault uint8

// The faults. None is none.
const (
	None          Fault = iota
	Late                // the answer comes too late, perhaps into the next exchange
	BadCRC              // the checksum is wrong (RTU)
	HalfFrame           // the second half of the answer is missing
	Glued               // the answer before is repeated in front
	Echo                // the adapter sends the request back first
	Babble              // garbage without end, and deaf meanwhile
	Silent              // no answer: a dead unit
	Restart             // the instrument calibrates itself: not ready, value 0
	StuckValue          // the values do not move any more
	OverRangeFlag       // the instrument says it is over its range
	Unplug              // the line is pulled out, and put back later
	SlowBytes           // the answer comes in single bytes with pauses
	ExtraByte           // one byte too many
	BusyException       // exception 6, device busy (Modbus)
	Foreign             // the answer of another unit (Modbus)
	NotANumber          // float registers hold NaN, text says so
	WrongID             // another transaction id (Modbus TCP)
	Cut                 // half an answer, then the connection ends
	faults
)

var faultWords = [faults]string{
	"none", "late", "bad-crc", "half-frame", "glued", "echo", "babble", "silent", "restart", "stuck",
	"over-range", "unplug", "slow-bytes", "extra-byte", "exception-busy", "foreign", "nan", "wrong-id", "cut",
}

// Faults returns every fault but None.
func Faults() []Fault {
	all := make([]Fault, 0, faults-1)
	for f := Late; f < faults; f++ {
		all = append(all, f)
	}
	return all
}

// String returns the fault's name.
func (f Fault) String() string {
	if f >= faults {
		return "unknown"
	}
	return faultWords[f]
}

// ParseFault returns the fault called name; "none" is not one.
func ParseFault(name string) (Fault, error) {
	if i := slices.Index(faultWords[1:], name); i >= 0 {
		return Fault(i + 1), nil
	}
	return None, fmt.Errorf("unknown fault %q: one of %s", name, strings.Join(faultWords[1:], ", "))
}

// inside says whether the fault is in what the instrument says, rather than in
// how it gets across.
func (f Fault) inside() bool {
	return f == Restart || f == StuckValue || f == OverRangeFlag || f == NotANumber
}

// on says whether the fault can happen on a line of the given kind.
func (f Fault) on(k Kind) bool {
	switch f {
	case BadCRC:
		return k == RTU || k == RTUOverTCP
	case BusyException, Foreign:
		return k != Text
	case WrongID:
		return k == TCP
	}
	return true
}

// usual is the time that belongs to a fault if none is given.
func (f Fault) usual() time.Duration {
	switch f {
	case Late:
		return 300 * time.Millisecond
	case Babble:
		return 500 * time.Millisecond
	case Unplug:
		return time.Second
	case SlowBytes:
		return 3 * time.Millisecond
	}
	return 0
}

// Injection is an order to misbehave. It shows when the unit next answers or
// prints, on whichever line. It is in force until Count answers have been
// spoilt or For has passed, whichever comes first; with neither of them and no
// Chance, for one answer. Of several injections for one answer the oldest one
// inside the instrument and the oldest one on the wire have their way.
type Injection struct {
	Fault  Fault
	Unit   byte          // the unit concerned; 0 for any
	Count  int           // answers to spoil; 0 for no bound
	For    time.Duration // real time from now; 0 for no bound
	Chance float64       // of each answer to be spoilt; 0 for certain
	// Takes is the fault's own time: how late an answer is, how long the
	// babble lasts, how long the line is away, the pause between slow bytes.
	// Zero is a usual time.
	Takes time.Duration
}

func (i Injection) validate() error {
	switch {
	case i.Fault == None || i.Fault >= faults:
		return fmt.Errorf("inject fault: there is no fault %d", i.Fault)
	case i.Count < 0 || i.For < 0 || i.Takes < 0:
		return fmt.Errorf("inject fault %s: count and times must not be negative", i.Fault)
	case !(i.Chance >= 0 && i.Chance <= 1):
		return fmt.Errorf("inject fault %s: the chance must be 0 to 1", i.Fault)
	}
	return nil
}
