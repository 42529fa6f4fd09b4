package config

import "thimbled/peak"

// Range is one measuring range of the load indicator.
type Range struct {
	Name     string // letters, digits, - and _; unique
	UpTo     peak.Force
	Division peak.Force
}

var rangeKeys = []key{
	{name: "name", needed: always, example: `"low"`,
		doc:   "Name of the range; its verification is recorded under it.",
		field: words("low", checkName, func(d *draft, s string) { d.measuring().Name = s })},
	{name: "up_to", needed: always, example: `"50 kN"`,
		doc: "Highest force that the indicator shows in this range.",
		field: quantity(peak.ParseForce, "50 kN", leastForce, greatestForce,
			func(d *draft, f peak.Force) { d.measuring().UpTo = f })},
	{name: "division", needed: always, example: `"10 N"`,
		doc: "Smallest step of the indicator in this range.",
		field: quantity(peak.ParseForce, "10 N", "0.001 N", greatestForce,
			func(d *draft, f peak.Force) { d.measuring().Division = f })},
}

// measuring is the range that is worked on.
func (d *draft) measuring() *Range { return &d.cfg.Ranges[len(d.cfg.Ranges)-1] }

// checkRanges: ranges follow each other, the finest first, and reach the capacity.
func (d *draft) checkRanges() {
	names := map[string]place{}
	for i, g := range d.ranges {
		r := d.cfg.Ranges[i]
		d.unique(g, names, r.Name, "name", "another range has the name %q (%s): give each its own")
		if !g.sound("up_to", "division") {
			continue
		}
		if r.Division > r.UpTo/10 {
			d.wrong(g, "division must be no more than a tenth of up_to", "division")
		}
		if i > 0 && d.ranges[i-1].sound("up_to", "division") && (r.UpTo <= d.cfg.Ranges[i-1].UpTo || r.Division < d.cfg.Ranges[i-1].Division) {
			d.wrong(g, "must reach further than the range before, with a division no finer: write the finest range first", "up_to")
		}
	}
	bench := d.given["bench"]
	if n := len(d.ranges); n > 0 && d.ranges[n-1].sound("up_to") && bench.sound("capacity") && d.cfg.Ranges[n-1].UpTo < d.cfg.Bench.Capacity {
		d.wrong(d.ranges[n-1], "the last range must reach the capacity of the bench, "+forceText(d.cfg.Bench.Capacity), "up_to")
	}
}
