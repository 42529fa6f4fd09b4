package config

import (
	"fmt"
	"net"
	"slices"
	"strings"
	"time"

	"thimbled/config/near"
	"thimbled/peak"
)

// check looks at what only several keys together can get wrong. A key that has
// a problem of its own is left out of it.
func (d *draft) check() {
	d.checkBench()
	d.checkRanges()
	d.checkLines()
	d.checkInstrument(d.given["load"], &d.cfg.Load.Instrument)
	d.checkLoad()
	d.checkCurve()
	if d.cfg.Pressure != nil {
		d.checkInstrument(d.given["pressure"], &d.cfg.Pressure.Instrument)
		d.checkPressure()
	}
	d.checkCylinder()
	d.checkCapture()
	d.checkZero()
	d.checkListeners()
	d.checkAccess()
	d.checkNATSAccess()
	d.checkRules()
}

func (d *draft) checkBench() {
	g, b := d.given["bench"], d.cfg.Bench
	if g.sound("capacity", "division") && b.Division > b.Capacity/10 {
		d.wrong(g, fmt.Sprintf("division (%s) must be no more than a tenth of the capacity (%s)",
			forceText(b.Division), forceText(b.Capacity)), "division", "capacity")
	}
	if g.sound("travel", "grip") && b.Travel > 0 && b.Grip >= b.Travel {
		d.wrong(g, fmt.Sprintf("grip (%v) must be shorter than the travel (%v)", b.Grip, b.Travel), "grip")
	}
}

func (d *draft) checkLines() {
	names, ends := map[string]place{}, map[string]place{}
	for i, g := range d.lines {
		l := d.cfg.Lines[i]
		d.unique(g, names, l.Name, "name", "another line has the name %q (%s): give each its own")
		d.unique(g, ends, l.Device, "device", "another line has the device %q (%s): put both instruments on one line")
		d.unique(g, ends, l.Address, "address", "another line has the address %q (%s): put both instruments on one line")
		if l.Kind == Text && g.sound("device", "address") && (l.Device == "") == (l.Address == "") {
			d.wrong(g, "a line of text needs either a device or an address: write one of them", "device", "address")
		}
		if l.Kind == RTU && g.sound("data_bits") && l.DataBits != 8 {
			d.wrong(g, fmt.Sprintf("%d is not possible with Modbus RTU: write 8", l.DataBits), "data_bits")
		}
		if l.Kind == Text && g.sound("data_bits", "parity") && l.DataBits == 7 && l.Parity == NoParity {
			d.wrong(g, `7 needs a parity: write parity = "even" or "odd", or data_bits = 8`, "data_bits")
		}
	}
}

func (d *draft) unique(g *given, seen map[string]place, value, key, text string) {
	if value == "" || !g.sound(key) {
		return
	}
	_, at := g.where(key)
	if earlier, ok := seen[value]; ok {
		d.wrong(g, fmt.Sprintf(text, value, earlier), key)
		return
	}
	seen[value] = at
}

func (d *draft) checkInstrument(g *given, i *Instrument) {
	if g.missing {
		return
	}
	if g.sound("scale") && i.Scale == 0 {
		d.wrong(g, "0 makes every value the same: write the value of one count", "scale")
	}
	l, found := d.cfg.Line(i.Line)
	switch {
	case !g.sound("line"):
	case !found:
		d.checkLineName(g, i.Line)
	case l.Kind != Text:
		d.checkUnit(g, i, l.Kind)
		d.checkRegisters(g, i)
		d.checkBits(g, i)
	}
}

// checkLineName reports a line that is not there, unless the name of a line
// could not be read.
func (d *draft) checkLineName(g *given, name string) {
	names := make([]string, len(d.lines))
	for i, l := range d.lines {
		if !l.sound("name") {
			return
		}
		names[i] = d.cfg.Lines[i].Name
	}
	if len(names) == 0 {
		return // that is told already
	}
	d.wrong(g, fmt.Sprintf("there is no line %q: %slines are %s", name, near.DidYouMean(name, names), strings.Join(names, ", ")), "line")
}

// checkUnit: addresses by Modbus over Serial Line V1.02; 0 and 255 for the peer
// of a TCP connection by the Modbus messaging guide for TCP/IP.
func (d *draft) checkUnit(g *given, i *Instrument, kind Kind) {
	if !g.sound("unit_id") || i.UnitID >= 1 && i.UnitID <= 247 || kind == TCP && (i.UnitID == 0 || i.UnitID == 255) {
		return
	}
	d.wrong(g, fmt.Sprintf("%d is no address of a device: allowed is 1 to 247", i.UnitID), "unit_id")
}

func (d *draft) checkRegisters(g *given, i *Instrument) {
	if g.sound("register", "type") {
		d.fits(g, "register", i.Register, i.Type)
	}
	if g.sound("type", "order") && i.Type.Registers() == 1 && i.Order != ABCD {
		d.wrong(g, fmt.Sprintf("has no meaning for the type %s, which is one register: leave it out", i.Type), "order")
	}
}

func (d *draft) fits(g *given, key string, register uint16, t Type) {
	if int(register)+t.Registers() > 65536 {
		d.wrong(g, fmt.Sprintf("%d leaves no room for the %d registers of type %s: the last register is 65535",
			register, t.Registers(), t), key)
	}
}

func (d *draft) checkBits(g *given, i *Instrument) {
	taken := map[uint8]string{}
	for _, b := range i.Status.bits() {
		if !b.bit.Known || !g.sound(b.key) {
			continue
		}
		if other := taken[b.bit.Value]; other != "" {
			d.wrong(g, fmt.Sprintf("bit %d is %s already: a bit can say one thing", b.bit.Value, other), b.key)
		}
		taken[b.bit.Value] = b.key
	}
	if i.Status.NotReadyBit.Known && i.Status.ReadyBit.Known {
		d.wrong(g, "says the same as not_ready_bit: keep one", "ready_bit")
	}
}

type statusBit struct {
	key string
	bit peak.Maybe[uint8]
}

func (s Status) bits() []statusBit {
	return []statusBit{
		{"over_range_bit", s.OverRangeBit}, {"under_range_bit", s.UnderRangeBit}, {"not_ready_bit", s.NotReadyBit},
		{"ready_bit", s.ReadyBit}, {"stable_bit", s.StableBit},
	}
}

// used says whether any bit has a meaning; else the register is not read.
func (s Status) used() bool {
	return slices.ContainsFunc(s.bits(), func(b statusBit) bool { return b.bit.Known })
}

func (d *draft) checkLoad() {
	g, l := d.given["load"], &d.cfg.Load
	if bench := d.given["bench"]; g.sound("highest") && bench.sound("capacity") && l.Highest < d.cfg.Bench.Capacity {
		d.wrong(g, fmt.Sprintf("highest (%s) must be at least the capacity (%s)",
			forceText(l.Highest), forceText(d.cfg.Bench.Capacity)), "highest")
	}
	if g.sound("constant_register", "constant_type") && l.ConstantRegister.Known {
		d.fits(g, "constant_register", l.ConstantRegister.Value, l.ConstantType)
	}
	if g.sound("stuck_after", "every") && l.StuckAfter > 0 && l.StuckAfter < 2*l.Every {
		d.wrong(g, fmt.Sprintf("stuck_after (%s) must be at least two polls (every is %s)",
			timeText(l.StuckAfter), timeText(l.Every)), "stuck_after")
	}
	if g.sound("stuck_after") && l.StuckAfter > 0 && d.cfg.Pressure == nil {
		d.wrong(g, "needs [pressure]: without it nobody knows that the value should have changed", "stuck_after")
	}
}

func (d *draft) checkPressure() {
	g, p := d.given["pressure"], d.cfg.Pressure
	if l, found := d.cfg.Line(p.Line); found && l.Kind == Text && p.Line == d.cfg.Load.Line && g.sound("line") {
		d.wrong(g, fmt.Sprintf("the load is on %q already, and a text line carries one instrument: use another line", p.Line), "line")
	}
}

func (d *draft) checkCapture() {
	g, c := d.given["capture"], d.cfg.Capture
	if g.sound("start_above", "end_below") && c.StartAbove <= c.EndBelow {
		d.wrong(g, fmt.Sprintf("start_above (%s) must be above end_below (%s)",
			forceText(c.StartAbove), forceText(c.EndBelow)), "start_above", "end_below")
	}
	if bench := d.given["bench"]; g.sound("start_above") && bench.sound("capacity") && c.StartAbove > d.cfg.Bench.Capacity {
		d.wrong(g, fmt.Sprintf("start_above (%s) must be no more than the capacity (%s)",
			forceText(c.StartAbove), forceText(d.cfg.Bench.Capacity)), "start_above")
	}
	d.atLeastPolls(g, "max_gap", c.MaxGap, 2)
	d.atLeastPolls(g, "sudden_loss_within", c.SuddenLossWithin, 1)
}

// atLeastPolls checks that a time is long enough to hold so many polls of the
// load.
func (d *draft) atLeastPolls(g *given, key string, t time.Duration, polls int) {
	every := d.cfg.Load.Every
	if g.sound(key) && d.given["load"].sound("every") && t < time.Duration(polls)*every {
		d.wrong(g, fmt.Sprintf("%s (%s) must be at least %d x load.every (%s)", key, timeText(t), polls, timeText(every)), key)
	}
}

func (d *draft) checkZero() {
	g, z := d.given["zero"], d.cfg.Zero
	if capture := d.given["capture"]; g.sound("track_within") && capture.sound("start_above") && z.TrackWithin >= d.cfg.Capture.StartAbove {
		d.wrong(g, fmt.Sprintf("track_within (%s) must be below capture.start_above (%s)",
			forceText(z.TrackWithin), forceText(d.cfg.Capture.StartAbove)), "track_within")
	}
	if g.sound("track_within", "rate") && z.TrackWithin > 0 && z.Rate == 0 {
		d.wrong(g, `rate must be above "0 N/s" while zero is tracked; track_within = "0 N" turns tracking off`, "rate")
	}
	d.atLeastPolls(g, "settle", z.Settle, 3)
}

// checkListeners: two servers cannot have one port, unless it is any free one.
func (d *draft) checkListeners() {
	nats, http := d.given["nats"], d.given["http"]
	if !nats.sound("listen") || !http.sound("listen") || d.cfg.NATS.Listen == "" {
		return
	}
	a, portA, errA := net.SplitHostPort(d.cfg.NATS.Listen)
	b, portB, errB := net.SplitHostPort(d.cfg.HTTP.Listen)
	if errA == nil && errB == nil && portA == portB && portA != "0" && (a == b || everywhere(a) || everywhere(b)) {
		d.wrong(http, "nats.listen has port "+portB+" already: use another", "listen")
	}
}

func everywhere(host string) bool { return host == "" || net.ParseIP(host).IsUnspecified() }
