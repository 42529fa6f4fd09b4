package certificate

import (
	"fmt"
	"math/big"
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

// measured shows a force with its expanded uncertainty, if that is known.
func (f figures) measured(x peak.Force, u peak.Maybe[peak.Force], comparedWith ...peak.Force) string {
	if !u.Known {
		return f.force(x, comparedWith...)
	}
	within := func(unit peak.ForceUnit) string {
		return f.in(unit, x, comparedWith) + "\u00a0±\u00a0" + twoDigits(unit, u.Value)
	}
	s := within(f.units.Force)
	if f.units.Both {
		s += " (" + within(f.other()) + ")"
	}
	return s
}

// uncertainty shows an uncertainty alone.
func (f figures) uncertainty(u peak.Force) string {
	s := twoDigits(f.units.Force, u)
	if f.units.Both {
		s += " (" + twoDigits(f.other(), u) + ")"
	}
	return s
}

// twoDigits shows an uncertainty rounded up to two significant digits (JCGM 100:2008,
// 7.2.6).
func twoDigits(unit peak.ForceUnit, u peak.Force) string {
	const places = 9
	digits, _ := new(big.Int).SetString(strings.Replace(unit.Number(u, places), ".", "", 1), 10)
	power := max(0, len(digits.String())-2)
	step := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(power)), nil)
	up := new(big.Int).Sub(step, big.NewInt(1))
	digits.Add(digits, up).Div(digits, step).Mul(digits, step)
	power = max(0, len(digits.String())-2) // 99.5 is 100 now
	decimals := max(0, places-power)
	text := fmt.Sprintf("%0*d", places+1, digits)
	whole, rest := text[:len(text)-places], text[len(text)-places:]
	if decimals == 0 {
		return joined(whole + " " + unit.String())
	}
	return joined(whole + "." + rest[:decimals] + " " + unit.String())
}

// smallUnit is the small unit of the shown system.
func (f figures) smallUnit() peak.ForceUnit {
	return map[system]peak.ForceUnit{si: peak.UnitN, metric: peak.UnitKgf, us: peak.UnitLbf}[systemOf(f.units.Force)]
}

// small shows a force far below the loads of a test, such as a zero, in the
// small unit of its system.
func (f figures) small(x peak.Force) string {
	s := joined(f.smallUnit().Show(x, 1))
	if !f.units.Both {
		return s
	}
	if systemOf(f.units.Force) == si {
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
	return fmt.Sprintf("%.4g\u00a0ms", float64(d)/float64(time.Millisecond))
}
