package config

import (
	"fmt"
	"time"

	"thimbled/peak"
)

// shortestSilence is the silence between frames above 19200 baud, where 3.5
// characters would be too short to tell (Modbus over Serial Line V1.02, 2.5.1.1).
const shortestSilence = 1750 * time.Microsecond

// characterBits counts start, data, parity and stop bits.
func (l Line) characterBits() int {
	bits := 1 + l.DataBits + l.StopBits
	if l.Parity != NoParity {
		bits++
	}
	return bits
}

// wire returns the speed and the bits of a character of the line that the
// frames travel on; a device server's character is taken to have 11 bits.
func (l Line) wire() (baud, bits int) {
	switch l.Kind {
	case RTU:
		return l.Baud, l.characterBits()
	case RTUOverTCP:
		return l.LineBaud, 11
	}
	return 0, 0
}

// ExchangeTime returns the least time that reading so many registers takes on an
// RTU line: 8 characters of request, 5 characters and the registers of reply, and
// 3.5 characters of silence behind each. The instrument's own time comes on top.
// It is 0 for lines whose speed does not matter.
func (l Line) ExchangeTime(registers int) time.Duration {
	if baud, _ := l.wire(); baud == 0 {
		return 0
	}
	return l.halfCharacters(2*(8+5+2*registers)) + 2*l.silence()
}

// silence is what an RTU line needs between frames: 3.5 characters.
func (l Line) silence() time.Duration {
	if baud, _ := l.wire(); baud > 19200 {
		return shortestSilence
	}
	return l.halfCharacters(7)
}

// halfCharacters rounds up: a silence must not be cut short.
func (l Line) halfCharacters(n int) time.Duration {
	baud, bits := l.wire()
	divisor := time.Duration(2 * baud)
	return (time.Duration(n*bits)*time.Second + divisor - 1) / divisor
}

// mostTogether is how many registers one request reads to reach all that an
// instrument has to say.
const mostTogether = 16

// pollTime is the least time that one reading of an instrument takes: one
// exchange if all its registers lie near each other, else one more for the
// status. A constant that lies far off is read too seldom to count.
func (l Line) pollTime(i namedInstrument) time.Duration {
	first, end := int(i.Register), int(i.Register)+i.Type.Registers()
	near := func(register uint16, width int) bool {
		low, high := min(first, int(register)), max(end, int(register)+width)
		if high-low > mostTogether {
			return false
		}
		first, end = low, high
		return true
	}
	var apart time.Duration
	if i.Status.used() && !near(i.Status.Register.Value, 1) {
		apart = l.ExchangeTime(1)
	}
	if i.constant.Known {
		near(i.constant.Value, i.constantType.Registers())
	}
	return l.ExchangeTime(end-first) + apart
}

// use is how much of a line's time its instruments ask for.
type use struct {
	line  Line
	names []string // of the instruments, with their time
	share float64  // of the line's time; above 1 is impossible
}

// uses returns what each RTU line is asked for.
func (c *Config) uses() []use {
	var all []use
	for _, l := range c.Lines {
		u := use{line: l}
		for _, i := range c.instruments() {
			if t := l.pollTime(i); i.Line == l.Name && t > 0 {
				u.names = append(u.names, fmt.Sprintf("%s (%s of every %s)", i.name, millis(t), timeText(i.Every)))
				u.share += t.Seconds() / i.Every.Seconds()
			}
		}
		if len(u.names) > 0 {
			all = append(all, u)
		}
	}
	return all
}

func millis(t time.Duration) string {
	return fmt.Sprintf("%.1f ms", float64(t)/float64(time.Millisecond))
}

type namedInstrument struct {
	name string
	*Instrument
	constant     peak.Maybe[uint16]
	constantType Type
}

func (c *Config) instruments() []namedInstrument {
	all := []namedInstrument{{"load", &c.Load.Instrument, c.Load.ConstantRegister, c.Load.ConstantType}}
	if c.Pressure != nil {
		all = append(all, namedInstrument{name: "pressure", Instrument: &c.Pressure.Instrument})
	}
	return all
}
