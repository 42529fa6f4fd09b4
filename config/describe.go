package config

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"thimbled/peak"
)

// Describe says in plain sentences what the config means, one paragraph a part.
// Passwords in the NATS address are left out.
func (c *Config) Describe() string {
	parts := []string{c.describeBench()}
	for _, l := range c.Lines {
		parts = append(parts, c.describeLine(l))
	}
	parts = append(parts, c.describeLoad(), c.describePressure(), c.describeCylinder(), c.describeCapture(), c.describeZero(), c.describeDecision(), c.describeRecords(), c.describeAccess())
	if s := c.describeLoft(); s != "" {
		parts = append(parts, s)
	}
	if len(c.Rules) > 0 {
		parts = append(parts, c.describeRules())
	}
	return strings.Join(parts, "\n\n") + "\n"
}

func (c *Config) describeBench() string {
	b := c.Bench
	s := fmt.Sprintf("Bench %s pulls up to %s. One division is %s, so there are %d of them.",
		b.ID, c.show(b.Capacity), c.show(b.Division), b.Capacity/b.Division)
	if b.Travel > 0 {
		s += fmt.Sprintf(" The longest item that can be pulled in one go is %s.", b.Travel)
	}
	if b.Grip > 0 {
		s += fmt.Sprintf(" A grip on an item's body leaves %s of it without load.", b.Grip)
	}
	return s
}

// describeLoft is empty when the file says nothing of the loft.
func (c *Config) describeLoft() string {
	l := c.Loft
	var who []string
	for _, s := range slices.Concat([]string{l.Name}, l.Address, []string{l.Contact}) {
		if s != "" {
			who = append(who, s)
		}
	}
	switch {
	case len(who) > 0:
		return fmt.Sprintf("Certificates are on %s paper and headed: %s.", l.Paper, strings.Join(who, ", "))
	case l.Paper != A4:
		return fmt.Sprintf("Certificates are on %s paper and name no loft.", l.Paper)
	}
	return ""
}

func (c *Config) describeRules() string {
	var own []string
	for _, r := range c.Rules {
		own = append(own, fmt.Sprintf("%s for %s, by %s", r.ID, r.Item, r.Source()))
	}
	return "Beside the published rules there are the loft's own: " + strings.Join(own, "; ") + "."
}

func (c *Config) describeLine(l Line) string {
	s := fmt.Sprintf("Line %s is ", l.Name)
	switch l.Kind {
	case RTU:
		s += "Modbus RTU on " + l.port() + "."
	case TCP:
		s += "Modbus TCP to " + l.Address + "."
	case RTUOverTCP:
		s += fmt.Sprintf("Modbus RTU through the device server at %s, at %d baud behind it.", l.Address, l.LineBaud)
	case Text:
		return s + "text " + l.source() + "; " + l.talk()
	}
	if l.Kind == TCP {
		return s
	}
	s += fmt.Sprintf(" After a failed exchange it is left alone for %s, so that no late answer is taken for the next.", timeText(l.WorstAnswer))
	if l.Name == c.Load.Line && l.WorstAnswer >= c.Capture.MaxGap {
		s += " That is no less than max_gap: a pull that loses an answer has a gap and is for review."
	}
	for _, u := range c.uses() {
		if u.line.Name == l.Name {
			s += fmt.Sprintf(" Its instruments take %.0f %% of its time, before their own delay: %s.", 100*u.share, strings.Join(u.names, ", "))
		}
	}
	return s
}

func (l Line) port() string {
	parity := map[Parity]string{NoParity: "N", EvenParity: "E", OddParity: "O"}[l.Parity]
	return fmt.Sprintf("%s at %d baud, %d%s%d", l.Device, l.Baud, l.DataBits, parity, l.StopBits)
}

func (l Line) source() string {
	if l.Device == "" {
		return "from " + l.Address
	}
	return "on " + l.port()
}

func (l Line) talk() string {
	if l.Ask == "" {
		return "lines come by themselves."
	}
	return fmt.Sprintf("each line is asked for with %q.", l.Ask)
}

// describeInstrument says where a value comes from and how it is scaled.
func (c *Config) describeInstrument(i Instrument, scaling string) string {
	l, _ := c.Line(i.Line)
	s := fmt.Sprintf("is read from line %s every %s; an answer later than %s is lost.", i.Line, timeText(i.Every), timeText(i.Timeout))
	if l.Kind != Text {
		s += fmt.Sprintf(" It is %s register %d of unit %d, of type %s", i.Table, i.Register, i.UnitID, i.Type)
		if i.Type.Registers() > 1 {
			s += " in order " + string(i.Order)
		}
		s += "."
	}
	return s + " " + scaling + i.Status.describe()
}

func (i Instrument) describeScale(unit string) string {
	s := fmt.Sprintf("A raw 1 counts as %g %s", i.Scale, unit)
	if i.Offset != 0 {
		s += fmt.Sprintf(", and %g %s is added", i.Offset, unit)
	}
	return s + "."
}

func (s Status) describe() string {
	if !s.Register.Known {
		return ""
	}
	var bits []string
	for _, b := range s.bits() {
		if b.bit.Known {
			bits = append(bits, fmt.Sprintf("bit %d is %s", b.bit.Value, strings.TrimSuffix(strings.ReplaceAll(b.key, "_", "-"), "-bit")))
		}
	}
	if len(bits) == 0 {
		bits = []string{"no bit of it is used"}
	}
	return fmt.Sprintf(" Its status is register %d: %s.", s.Register.Value, strings.Join(bits, ", "))
}

func (c *Config) describeLoad() string {
	l := c.Load
	scaling := l.describeScale(l.Unit.String())
	if l.Curve.Known {
		scaling = l.Curve.Value.describe(&l, c.show)
	}
	s := "The load " + c.describeInstrument(l.Instrument, scaling)
	s += fmt.Sprintf(" Values below %s or above %s are not plausible.", c.show(l.Lowest), c.show(l.Highest))
	if l.ConstantRegister.Known {
		s += fmt.Sprintf(" Its calibration constant is the %s in register %d.", l.ConstantType, l.ConstantRegister.Value)
	}
	if l.StuckAfter > 0 {
		s += fmt.Sprintf(" A value that stays the same for %s while the pressure moves is stuck.", timeText(l.StuckAfter))
	}
	return s
}

func (c *Config) describePressure() string {
	p := c.Pressure
	if p == nil {
		return "There is no pressure transducer."
	}
	s := "The pressure " + c.describeInstrument(p.Instrument, p.describeScale(p.Unit.String()))
	if p.Lowest.Known {
		s += fmt.Sprintf(" Values below %s are not plausible.", p.Unit.Show(p.Lowest.Value, 1))
	}
	if p.Highest.Known {
		s += fmt.Sprintf(" Values above %s are not plausible.", p.Unit.Show(p.Highest.Value, 1))
	}
	return s
}

func (c *Config) describeCapture() string {
	p := c.Capture
	return fmt.Sprintf("A pull starts at %s and ends when the force stays at or below %s for %s. "+
		"Readings more than %s apart have a gap between them. A fall by %s of the peak within %s is a sudden loss of load.",
		c.show(p.StartAbove), c.show(p.EndBelow), timeText(p.EndAfter), timeText(p.MaxGap), p.SuddenLoss, timeText(p.SuddenLossWithin))
}

func (c *Config) describeZero() string {
	z := c.Zero
	s := "Zero is not tracked."
	if z.TrackWithin > 0 {
		s = fmt.Sprintf("At rest zero is tracked while the gross force is within %s, by up to %s a second", c.show(z.TrackWithin), c.show(z.Rate))
		if c.Pressure != nil {
			s += ", below " + c.Pressure.Unit.Show(z.PressurisedAbove, 1)
		}
		s += "."
	}
	return s + fmt.Sprintf(" It stays within %s of the zero set last. The force is stable while it spreads no more than %s over %s. "+
		"A zero shift above %s makes a pull void.", c.show(z.Range), c.show(z.Motion), timeText(z.Settle), c.show(z.ShiftLimit))
}

func (c *Config) describeRecords() string {
	dir := c.Journal.Dir
	if dir == "" {
		dir = "$STATE_DIRECTORY, else thimbled-data in the current folder"
	}
	s := fmt.Sprintf("Records are kept in %s. No test starts with less than %d MiB free there.", dir, c.Journal.MinFree>>20)
	if n := c.Journal.KeepTraces; n > 0 {
		s += fmt.Sprintf(" Traces of pulls older than %s are removed, and that is recorded.", monthsText(n))
	}
	if c.Seal.Key != "" {
		s += fmt.Sprintf(" They are signed with the key in %s as those of %s.", c.Seal.Key, c.Seal.Origin)
	}
	rate := "every reading"
	if c.NATS.ReadingEvery > 0 {
		rate = "a reading every " + timeText(c.NATS.ReadingEvery)
	}
	server := "an embedded NATS server on " + c.NATS.Listen
	if c.NATS.URL != "" {
		server = "the NATS server " + withoutPasswords(c.NATS.URL)
	}
	return s + fmt.Sprintf(" Events and %s are published by %s. The page is on %s.", rate, server, c.HTTP.Listen)
}

func withoutPasswords(urls string) string {
	var out []string
	for one := range strings.SplitSeq(urls, ",") {
		if u, err := url.Parse(strings.TrimSpace(one)); err == nil {
			u.User = nil // a token stands in the place of the user
			out = append(out, u.String())
		}
	}
	return strings.Join(out, ", ")
}

// show writes a force in the bench's unit with as few decimals as say it to the
// millinewton that shares of the capacity are rounded by, or six.
func (c *Config) show(f peak.Force) string {
	const most = 6
	for decimals := range most {
		s := c.Bench.Show.Show(f, decimals)
		if back, err := peak.ParseForce(s); err == nil && max(back-f, f-back) <= peak.Millinewton {
			return s
		}
	}
	return c.Bench.Show.Show(f, most)
}

func monthsText(n int) string {
	switch {
	case n == 1:
		return "a month"
	case n == 12:
		return "a year"
	case n%12 == 0:
		return fmt.Sprintf("%d years", n/12)
	}
	return fmt.Sprintf("%d months", n)
}
