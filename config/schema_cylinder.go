package config

import (
	"fmt"
	"time"

	"thimbled/peak"
)

var cylinderKeys = []key{
	{name: "bore", needed: always, example: `"200 mm"`,
		doc: "Diameter of the piston.",
		field: quantity(peak.ParseLength, "200 mm", "10 mm", "2 m",
			func(d *draft, l peak.Length) { d.cfg.Cylinder.Value.Bore = l })},
	{name: "rod", needed: always, example: `"110 mm"`,
		doc: `Diameter of the rod on the side that pulls; "0 mm" when the whole piston does.`,
		field: quantity(peak.ParseLength, "110 mm", "0 mm", "2 m",
			func(d *draft, l peak.Length) { d.cfg.Cylinder.Value.Rod = l })},
	{name: "friction", fallback: text("5 %"),
		doc: "Greatest part of the hydraulic force that the friction of seals and guides takes; a pull whose force is not within it needs review.",
		field: quantity(peak.ParseRatio, "5 %", "0 %", "50 %",
			func(d *draft, r peak.Ratio) { d.cfg.Cylinder.Value.Friction = r })},
	{name: "seal_friction", fallback: share(peak.Percent),
		doc: "Friction that is there without pressure, as when the unloaded carriage is moved; by default a hundredth of the capacity.",
		field: quantity(peak.ParseForce, "2.5 kN", "0 N", greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Cylinder.Value.SealFriction = f })},
	{name: "reading_error", fallback: share(peak.Percent),
		doc: "What the readings of force and pressure together may be off; by default a hundredth of the capacity.",
		field: quantity(peak.ParseForce, "2.5 kN", "0 N", greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Cylinder.Value.ReadingError = f })},
	{name: "unfollowed", fallback: text("0.5 bar"),
		doc: "How much the pressure may rise while the load is raised before the force must have followed; more where the transducer is noisy or the seals stick.",
		field: quantity(peak.ParsePressure, "0.5 bar", "0.01 bar", "100 bar",
			func(d *draft, p peak.Pressure) { d.cfg.Cylinder.Value.Unfollowed = p })},
}

func (d *draft) checkCylinder() {
	g, c := d.given["cylinder"], d.cfg.Cylinder.Value
	if g.sound("bore", "rod") && c.Rod >= c.Bore {
		d.wrong(g, fmt.Sprintf("rod (%v) must be thinner than bore (%v)", c.Rod, c.Bore), "rod", "bore")
	}
}

// slowestPressure is how rarely the pressure may be read for an alarm within half a
// second: it takes three readings to tell.
const slowestPressure = 150 * time.Millisecond

func (d *draft) warnCylinder() {
	g := d.given["cylinder"]
	switch {
	case !d.cfg.Cylinder.Known:
	case d.cfg.Pressure == nil:
		d.doubt(g, "has no effect without [pressure]: there is nothing to compare the force with", "bore")
	case d.cfg.Pressure.Every > slowestPressure:
		d.doubt(d.given["pressure"], fmt.Sprintf("a force that does not follow the pressure is found half a second late or later: read it every %s or more often",
			timeText(slowestPressure)), "every")
	}
}

func (c *Config) describeCylinder() string {
	if !c.Cylinder.Known {
		return "The cylinder is not described, so force and pressure are not compared."
	}
	y := c.Cylinder.Value
	most := peak.Pressure(100 * peak.Bar)
	return fmt.Sprintf("The cylinder has a bore of %v and a rod of %v; at 100 bar it pulls %s. Friction takes up to %s of that and %s besides, "+
		"and the readings may be off by %s: a pull outside needs review. When the pressure rises by %s and the force does not follow, or the force is not read under pressure, an alarm is raised.",
		y.Bore, y.Rod, peak.UnitKN.Show(y.Pull(most), 1), y.Friction, c.show(y.SealFriction), c.show(y.ReadingError), peak.UnitBar.Show(y.Unfollowed, 2))
}
