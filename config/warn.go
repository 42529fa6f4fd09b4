package config

import (
	"fmt"
	"math"
	"strings"
	"time"

	"thimbled/peak"
)

// warn looks for what is allowed but worth a second look.
func (d *draft) warn() {
	for i, g := range d.lines {
		d.warnLine(g, d.cfg.Lines[i])
	}
	for _, i := range d.cfg.instruments() {
		d.warnInstrument(d.given[i.name], i.Instrument)
	}
	d.warnCylinder()
	d.warnDivision()
	d.warnLoadNumber()
	d.warnTracking()
}

func (d *draft) doubt(g *given, text string, keys ...string) {
	key, at := g.where(keys...)
	d.cfg.Warnings = append(d.cfg.Warnings, Problem{File: d.file, Line: at.line, Col: at.col, Key: key, Text: text})
}

func (d *draft) warnLine(g *given, l Line) {
	for _, numbered := range []string{"/dev/ttyUSB", "/dev/ttyACM"} {
		if strings.HasPrefix(l.Device, numbered) {
			d.doubt(g, l.Device+" may be another adapter after a restart: use its name under /dev/serial/by-id", "device")
		}
	}
	used := false
	for _, i := range d.cfg.instruments() {
		used = used || i.Line == l.Name
	}
	if !used {
		d.doubt(g, fmt.Sprintf("no instrument is on line %q", l.Name), "name")
	}
	for _, u := range d.cfg.uses() {
		if u.line.Name == l.Name && u.share > 1 {
			d.doubt(g, d.tooFast(u), "baud", "line_baud")
		}
	}
}

// tooFast says what is asked of a line and what would be possible on it.
func (d *draft) tooFast(u use) string {
	var possible []string
	for _, i := range d.cfg.instruments() {
		if i.Line == u.line.Name {
			slower := time.Duration(math.Ceil(i.Every.Seconds()*u.share*1000)) * time.Millisecond
			possible = append(possible, fmt.Sprintf("%s every %s", i.name, timeText(slower)))
		}
	}
	baud, _ := u.line.wire()
	return fmt.Sprintf("%d baud is too slow for %s: at best %s is possible",
		baud, strings.Join(u.names, " and "), strings.Join(possible, ", "))
}

func (d *draft) warnInstrument(g *given, i *Instrument) {
	if i.Line == d.cfg.Load.Line && i.Timeout >= d.cfg.Capture.MaxGap {
		d.doubt(g, fmt.Sprintf("one lost answer keeps the load's line waiting for %s, which makes a gap in a pull (max_gap is %s)",
			timeText(i.Timeout), timeText(d.cfg.Capture.MaxGap)), "timeout")
	}
	if l, _ := d.cfg.Line(i.Line); l.Kind == Text && l.Ask == "" && i.Timeout <= i.Every {
		d.doubt(g, fmt.Sprintf("lines come every %s, so each that is a little late is lost: write more than that", timeText(i.Every)), "timeout")
	}
	if n, table := i.Register, dataModelTable(i.Register); table != "" {
		d.doubt(g, fmt.Sprintf("a manual that numbers registers from %d means register %d of table %q by %d",
			int(n)/10000*10000+1, (int(n)-1)%10000, table, n), "register")
	}
	if i.Status.Register.Known && !i.Status.used() {
		d.doubt(g, "nothing is read from it: say which bit means what, as in over_range_bit = 1", "status_register")
	}
}

// dataModelTable returns the table that a register number stands for in manuals
// that number input registers from 30001 and holding registers from 40001.
func dataModelTable(n uint16) Table {
	switch {
	case n > 30000 && n < 40000:
		return Input
	case n > 40000 && n < 50000:
		return Holding
	}
	return ""
}

func (d *draft) warnDivision() {
	b := d.cfg.Bench
	n := (b.Capacity + b.Division/2) / b.Division
	// Both were rounded to the millinewton, so n divisions may be off by n/2.
	if off := b.Capacity - n*b.Division; off > n/2+1 || off < -n/2-1 {
		d.doubt(d.given["bench"], fmt.Sprintf("the capacity (%s) is no whole number of divisions (%s)",
			forceText(b.Capacity), forceText(b.Division)), "division", "capacity")
	}
}

// warnLoadNumber compares what the registers can say with the bench.
func (d *draft) warnLoadNumber() {
	g, l, b := d.given["load"], d.cfg.Load, d.cfg.Bench
	if _, told := g.values["unit"]; !told {
		d.doubt(g, fmt.Sprintf("is taken to be %s like bench.show: write it, since a wrong unit is a wrong load", l.Unit), "unit")
	}
	greatest, whole := map[Type]float64{
		Int16: math.MaxInt16, Uint16: math.MaxUint16, Int32: math.MaxInt32, Uint32: math.MaxUint32,
	}[l.Type]
	if !whole {
		return
	}
	if l.Curve.Known {
		d.warnCurve(greatest)
		return
	}
	count := math.Abs(l.Scale) * l.Unit.Newtons()
	if division := newtons(b.Division); count > division*1.001 {
		d.doubt(g, fmt.Sprintf("one count of the register is %.6g N, coarser than the division (%s)", count, forceText(b.Division)), "scale", "type")
	}
	if top := float64(count*greatest) + l.Offset*l.Unit.Newtons(); top < newtons(b.Capacity) {
		d.doubt(g, fmt.Sprintf("the type %s reaches only to %.6g N, below the capacity (%s)", l.Type, top, forceText(b.Capacity)), "type", "scale")
	}
}

func newtons(f peak.Force) float64 { return float64(f) / float64(peak.Newton) }

// warnTracking compares with what weighing law commonly allows: half a division
// a second.
func (d *draft) warnTracking() {
	z, half := d.cfg.Zero, (d.cfg.Bench.Division+1)/2
	if z.TrackWithin > 0 && z.Rate > half {
		d.doubt(d.given["zero"], fmt.Sprintf("tracking faster than half a division a second (%s/s) can swallow a load that is laid on slowly",
			forceText(half)), "rate")
	}
}
