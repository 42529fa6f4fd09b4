package acquire

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"thimbled/peak"
)

// mostSteps bounds a measured quantity in millinewtons or pascals: sums and
// ratios of such values are exact in 64 bits.
const mostSteps = 1e15

// Curve makes a value of a raw one by a polynomial, in the instrument's unit.
type Curve struct {
	// Coefficients are those of the powers 0, 1 and so on of the raw value.
	Coefficients []float64
	// From and To bound the raw values that the curve is for: beyond, where it may turn
	// back to plausible values, the value is under or over range.
	From, To float64
}

// at is the curve's value; each step is rounded by itself, so that it is the same on
// every machine.
func (c *Curve) at(raw float64) float64 {
	y := 0.0
	for _, b := range slices.Backward(c.Coefficients) {
		y = float64(y*raw) + b
	}
	return y
}

// beyond says on which side of what the curve is for a raw value lies; good within.
func (c *Curve) beyond(raw float64) peak.Quality {
	falls := c.at(c.From) > c.at(c.To)
	switch {
	case raw >= c.From && raw <= c.To:
		return peak.Good
	case (raw < c.From) != falls:
		return peak.UnderRange
	}
	return peak.OverRange
}

// Scaled says whether the instrument's raw values are made others by us.
func (in *Instrument) Scaled() bool { return in.Curve.Known || in.Scale != 1 || in.Offset != 0 }

// Convert is what a raw value comes to in the instrument's unit, plausible or not.
func (in *Instrument) Convert(raw float64) float64 {
	if in.Curve.Known {
		return in.Curve.Value.at(raw)
	}
	return float64(in.Scale*raw) + in.Offset
}

// Force is the force that a raw value of a load indicator comes to, rounded to the
// millinewton, half away from zero; the quality says when it is not plausible, and the
// force is then 0. It is what a sample has, so that a recorded raw value can be made a
// force again.
func (in *Instrument) Force(raw float64) (peak.Force, peak.Quality) {
	r := reading{raw: raw}
	return peak.Force(in.steps(&r)), r.quality
}

// reading is what an instrument said, before it is scaled, or why it said
// nothing that counts.
type reading struct {
	raw      float64
	unit     string // as printed; empty for the instrument's own
	stable   peak.Maybe[bool]
	constant peak.Maybe[int64]
	quality  peak.Quality
	why      string
}

// bad makes the reading one that does not count.
func (r *reading) bad(q peak.Quality, format string, args ...any) {
	r.quality, r.why = q, fmt.Sprintf(format, args...)
}

// steps returns the value of a good reading in whole millinewtons or pascals,
// rounded once, half away from zero. It makes the reading bad when the value is
// not plausible.
func (in *Instrument) steps(r *reading) int64 {
	factor, ok := in.factor(r)
	if !ok {
		return 0
	}
	perSI := 1000.0
	if in.Measures == Pressure {
		perSI = 1
	}
	if in.Curve.Known {
		if q := in.Curve.Value.beyond(r.raw); q != peak.Good {
			r.bad(q, "%v is a raw value that the scale is not made for", r.raw)
			return 0
		}
	}
	value := in.Convert(r.raw)
	n := math.Round(float64(float64(value*factor) * perSI))
	highest, lowest := float64(mostSteps), float64(-mostSteps)
	if in.Highest.Known {
		highest = float64(in.Highest.Value)
	}
	if in.Lowest.Known {
		lowest = float64(in.Lowest.Value)
	}
	switch {
	case n < max(lowest, -mostSteps):
		r.bad(peak.UnderRange, "%v is below what is plausible", value)
		return 0
	case !(n <= min(highest, mostSteps)):
		r.bad(peak.OverRange, "%v is above what is plausible", value)
		return 0
	}
	return int64(n)
}

// factor returns how many newtons or pascals one of the reading's unit is. Scale
// and offset hold for one unit only, so with them another one is refused.
func (in *Instrument) factor(r *reading) (factor float64, ok bool) {
	if r.unit == "" {
		return in.UnitFactor, true
	}
	factor, ok = sizeOf(r.unit, in.Measures)
	switch {
	case !ok:
		r.bad(peak.Garbled, "the line has the unit %q, which is not known", r.unit)
	case factor != in.UnitFactor && in.Scaled():
		r.bad(peak.Garbled, "the line has the unit %q, for which scale and offset were not made", r.unit)
		ok = false
	}
	return factor, ok
}

// sizeOf returns the size of a printed unit in newtons or pascals. Displays
// often have capitals only, so case does not matter, except that nothing but MN
// itself is a meganewton.
func sizeOf(name string, q Quantity) (size float64, ok bool) {
	if q == Pressure {
		for u := peak.UnitPa; u <= peak.UnitPsi; u++ {
			if u.String() == name {
				return u.Pascals(), true
			}
			if strings.EqualFold(u.String(), name) {
				size, ok = u.Pascals(), true
			}
		}
		return size, ok
	}
	for u := peak.UnitN; u <= peak.UnitLongTon; u++ {
		if u.String() == name {
			return u.Newtons(), true
		}
		if u != peak.UnitMN && strings.EqualFold(u.String(), name) {
			size, ok = u.Newtons(), true
		}
	}
	return size, ok
}
