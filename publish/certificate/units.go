package certificate

import (
	"fmt"
	"strings"
	"time"

	"thimbled/peak"
)

// Units says which units people see.
type Units struct {
	Force    peak.ForceUnit
	Pressure peak.PressureUnit
	// Both adds the other system of units in brackets.
	Both bool
}

// system is a family of units of force.
type system int

const (
	si     system = iota
	metric        // weights of kilograms
	us
)

func systemOf(u peak.ForceUnit) system {
	switch u {
	case peak.UnitN, peak.UnitKN, peak.UnitMN:
		return si
	case peak.UnitKgf, peak.UnitTf, peak.UnitKg, peak.UnitT:
		return metric
	}
	return us
}

// isMass reports whether the unit is one of mass, which stands for a weight.
func isMass(u peak.ForceUnit) bool {
	switch u {
	case peak.UnitKg, peak.UnitT, peak.UnitLb, peak.UnitShortTon, peak.UnitLongTon:
		return true
	}
	return false
}

// figures shows quantities as people read them: forces to the step, which is the
// division of the indicator, times to the millisecond.
type figures struct {
	units Units
	step  peak.Force
}

// finest is the step where the division of the indicator is not known.
const finest = 10 * peak.Newton

func newFigures(u Units, division peak.Force) figures {
	if division <= 0 {
		division = finest
	}
	return figures{u, division}
}

// other is the unit in brackets.
func (f figures) other() peak.ForceUnit {
	if systemOf(f.units.Force) == si {
		return peak.UnitLbf
	}
	return peak.UnitKN
}

// force shows a force. Where rounding would make it equal to one that it is
// compared with and does not equal, it has more decimals.
func (f figures) force(x peak.Force, comparedWith ...peak.Force) string {
	s := f.in(f.units.Force, x, comparedWith)
	if f.units.Both {
		s += " (" + f.in(f.other(), x, comparedWith) + ")"
	}
	return s
}

// plainForce is force in the shown unit alone.
func (f figures) plainForce(x peak.Force, comparedWith ...peak.Force) string {
	return f.in(f.units.Force, x, comparedWith)
}

func (f figures) in(u peak.ForceUnit, x peak.Force, comparedWith []peak.Force) string {
	const most = 9
	decimals := u.Decimals(f.step)
	for _, y := range comparedWith {
		for decimals < most && x != y && u.Number(x, decimals) == u.Number(y, decimals) {
			decimals++
		}
	}
	return joined(u.Show(x, decimals))
}

// joined keeps a number and its unit on one line.
func joined(s string) string { return strings.ReplaceAll(s, " ", "\u00a0") }

// small shows a force far below the loads of a test, such as a zero, in the
// small unit of its system.
func (f figures) small(x peak.Force) string {
	units := map[system]peak.ForceUnit{si: peak.UnitN, metric: peak.UnitKgf, us: peak.UnitLbf}
	shown := systemOf(f.units.Force)
	s := joined(units[shown].Show(x, 1))
	if !f.units.Both {
		return s
	}
	if shown == si {
		return s + " (" + joined(peak.UnitLbf.Show(x, 1)) + ")"
	}
	return s + " (" + joined(peak.UnitN.Show(x, 1)) + ")"
}

func (f figures) pressure(p peak.Pressure) string {
	show := func(u peak.PressureUnit) string {
		decimals := map[peak.PressureUnit]int{peak.UnitBar: 1, peak.UnitMPa: 2}
		return joined(u.Show(p, decimals[u]))
	}
	s := show(f.units.Pressure)
	if !f.units.Both {
		return s
	}
	if f.units.Pressure == peak.UnitPsi {
		return s + " (" + show(peak.UnitBar) + ")"
	}
	return s + " (" + show(peak.UnitPsi) + ")"
}

// length shows a length exactly in metres and, rounded to the hundredth, in feet.
func (f figures) length(l peak.Length) string {
	if !f.units.Both {
		return joined(l.String())
	}
	const foot = 304_800 * peak.Micrometre
	hundredths := (100*l + foot/2) / foot
	return joined(l.String()) + " " + joined(fmt.Sprintf("(%d.%02d ft)", hundredths/100, hundredths%100))
}

// wll shows a working load limit, which people know as a mass.
func (f figures) wll(x peak.Force) string {
	s := f.force(x)
	switch {
	case f.units.Force == peak.UnitT || f.units.Force == peak.UnitKg:
		return s
	case f.units.Both:
		return strings.TrimSuffix(s, ")") + "; " + joined(peak.UnitT.Show(x, 3)) + ")"
	}
	return s + " (" + joined(peak.UnitT.Show(x, 3)) + ")"
}

// lasted shows a time that must be long enough, cut to the millisecond so that
// it is never shown as longer than it was.
func lasted(d time.Duration) string { return decimalSeconds(d.Truncate(time.Millisecond)) }

// missed shows a time that must not be long, rounded up to the millisecond.
func missed(d time.Duration) string {
	return decimalSeconds((d + time.Millisecond - 1).Truncate(time.Millisecond))
}

func decimalSeconds(d time.Duration) string {
	return fmt.Sprintf("%d.%03d\u00a0s", d/time.Second, d%time.Second/time.Millisecond)
}

// exactSeconds shows a time that was asked for.
func exactSeconds(d time.Duration) string { return string(peak.AppendSeconds(nil, d)) + "\u00a0s" }

func dateTime(t time.Time) string { return joined(t.UTC().Format("2006-01-02 15:04:05 UTC")) }

// dayTime shows a time of day, UTC, to the millisecond.
func dayTime(t time.Time) string { return t.UTC().Format("15:04:05.000") }

// period shows how often something is done.
func period(d time.Duration) string {
	return fmt.Sprintf("%g\u00a0ms", float64(d)/float64(time.Millisecond))
}
