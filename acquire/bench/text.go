package bench

import (
	"time"

	"thimbled/peak"
)

// Printing is how a text indicator prints: by itself every so often, or, with
// OnDemand, one line for each question mark it receives.
//
// A line ends with CR LF and is one of
//
//	+100.05 kN stable
//	-0.10 kN moving
//	nan kN
//	over range
//	self calibration
//
// where the last means that the indicator is not ready.
type Printing struct {
	OnDemand bool
	Every    time.Duration // real time between two lines; 0 for 100 ms
}

// printed is the line for the given values, with the decimals that the
// division needs.
func printed(v Values, division peak.Force) string {
	switch {
	case v.Status&NotReady != 0:
		return "self calibration\r\n"
	case v.Status&OverRange != 0:
		return "over range\r\n"
	case v.Status&UnderRange != 0:
		return "under range\r\n"
	case v.NaN:
		return "nan kN\r\n"
	}
	text := peak.UnitKN.Show(v.Force, peak.UnitKN.Decimals(division))
	if v.Force >= 0 {
		text = "+" + text
	}
	if v.Status&Stable != 0 {
		return text + " stable\r\n"
	}
	return text + " moving\r\n"
}

// print prints until the wire ends.
func (c *conversation) print(u Unit) error {
	if c.line.settings.Print.OnDemand {
		return c.printWhenAsked(u)
	}
	every := c.line.settings.Print.Every
	if every == 0 {
		every = 100 * time.Millisecond
	}
	for {
		next := time.Now().Add(every)
		if err := c.printLine(u, nil); err != nil {
			return err
		}
		if err := c.sleepUntil(next); err != nil {
			return err
		}
	}
}

func (c *conversation) printWhenAsked(u Unit) error {
	asked := make([]byte, 64)
	for {
		n, err := c.wire.Read(asked)
		if err != nil {
			return err
		}
		for _, b := range asked[:n] {
			if b != '?' {
				continue
			}
			if err := c.printLine(u, []byte{b}); err != nil {
				return err
			}
		}
	}
}

func (c *conversation) printLine(u Unit, question []byte) error {
	fault, takes := c.line.faults.wire(u.ID, Text)
	text := printed(c.line.faults.values(u, Text), u.Division)
	m := message{
		request: question,
		bytes:   []byte(text),
		start:   c.line.settings.Pace.start(time.Now(), len(question)),
	}
	return c.deliver(m, fault, takes)
}
