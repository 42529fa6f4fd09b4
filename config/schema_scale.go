package config

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"

	"thimbled/peak"
)

// Curve makes a force of a raw signal by a polynomial, as a calibration finds it.
type Curve struct {
	// Coefficients are those of the powers 0, 1 and so on of the raw value, two to four,
	// for the load's unit.
	Coefficients []float64
	// From and To are the raw values of the least and the greatest plausible force, or the
	// other way round when a greater force has a smaller raw value. Between them the curve
	// does not turn; beyond, a raw value stands for no force.
	From, To float64
}

// mostRaw is more than any register or line says.
const mostRaw float64 = math.MaxFloat32

// scaleSection is the section in place of load.scale and load.offset.
const scaleSection = "load.scale"

var scaleKeys = []key{
	{name: "coefficients", needed: always, example: "[-851.2, 1365678.9, 8394.4]",
		doc:   "Coefficients of the powers 0, 1, 2 and 3 of the raw value that sum up to the value in the unit of the load, two to four, as thimbled calibrate prints them.",
		field: field{set: setCoefficients}},
}

func setCoefficients(d *draft, v value) error {
	if err := v.needs(unstable.Array, "[0.5, 125.03]"); err != nil {
		return err
	}
	const least, most = 2, 4
	if n := len(v.list); n < least || n > most {
		return fmt.Errorf("has %d numbers: write two to four, for the powers 0, 1, 2 and 3 of the raw value", n)
	}
	curve := Curve{}
	for i, each := range v.list {
		one := number(func(_ *draft, f float64) { curve.Coefficients = append(curve.Coefficients, f) })
		if err := one.set(d, each); err != nil {
			return fmt.Errorf("number %d %w", i+1, err)
		}
	}
	if !slices.ContainsFunc(curve.Coefficients[1:], func(f float64) bool { return f != 0 }) {
		return errors.New("makes every value the same: one behind the first must not be 0")
	}
	d.cfg.Load.Curve = peak.Known(curve)
	return nil
}

// insteadOfCurve is the unfit of the load's scale and offset.
func insteadOfCurve(d *draft) string {
	if d.here.section == "load" && d.written[scaleSection] {
		return "has no meaning beside [" + scaleSection + "]: keep one of them"
	}
	return ""
}

// checkCurve finds where the curve runs from the least to the greatest plausible force.
func (d *draft) checkCurve() {
	g, l := d.given[scaleSection], &d.cfg.Load
	if !l.Curve.Known || !d.given["load"].sound("unit", "lowest", "highest") {
		return
	}
	if why := l.Curve.Value.bound(l.inUnit(l.Lowest), l.inUnit(l.Highest)); why != "" {
		d.wrong(g, fmt.Sprintf("%s: it must run from lowest (%s) to highest (%s) without a turn",
			why, forceText(l.Lowest), forceText(l.Highest)), "coefficients")
	}
}

func (i *Indicator) inUnit(f peak.Force) float64 { return newtons(f) / i.Unit.Newtons() }

// Value is what a raw value comes to, in the load's unit. It is rounded the same way on
// every machine.
func (c *Curve) Value(raw float64) float64 {
	y := 0.0
	for _, b := range slices.Backward(c.Coefficients) {
		y = float64(y*raw) + b
	}
	return y
}

// bound sets From and To, on the stretch without a turn around a raw value of 0: the curve
// of a load cell is nearly straight and turns far beyond what it says. A turn at 0 itself,
// as that of a squared frequency, leaves the stretch above. why says that the stretch does
// not reach from one value to the other.
func (c *Curve) bound(least, greatest float64) (why string) {
	low, high := -mostRaw, mostRaw
	for _, t := range c.turns() {
		if t <= 0 {
			low = max(low, t)
		} else {
			high = min(high, t)
		}
	}
	a, b := c.Value(low), c.Value(high)
	if min(a, b) <= least && max(a, b) >= greatest {
		from, to := c.solve(least, low, high), c.solve(greatest, low, high)
		c.From, c.To = min(from, to), max(from, to)
		return ""
	}
	for _, t := range [2]float64{high, low} {
		if y := c.Value(t); math.Abs(t) < mostRaw && y > least && y < greatest {
			return fmt.Sprintf("the curve turns at a raw value of %.6g", t)
		}
	}
	return "the curve does not reach these forces"
}

// turns are where the slope b1 + 2 b2 x + 3 b3 x^2 is 0.
func (c *Curve) turns() []float64 {
	var b [4]float64
	largest := 0.0
	for _, f := range c.Coefficients[1:] {
		largest = max(largest, math.Abs(f))
	}
	for k, f := range c.Coefficients {
		b[k] = f / largest // so that no square overflows
	}
	q, l := 3*b[3], 2*b[2]
	under := float64(l*l) - float64(float64(4*q)*b[1])
	if !(under > 0) {
		return nil // a straight line; at a double root the curve only pauses
	}
	s := -(l + math.Copysign(math.Sqrt(under), l)) / 2
	return slices.DeleteFunc([]float64{s / q, b[1] / s}, func(x float64) bool { return !(math.Abs(x) < mostRaw) })
}

// solve returns the raw value of y between two, by halving until nothing lies between.
func (c *Curve) solve(y, low, high float64) float64 {
	rising := c.Value(low) < c.Value(high)
	for {
		middle := low/2 + high/2
		if !(middle > low && middle < high) {
			return middle
		}
		if (c.Value(middle) < y) == rising {
			low = middle
		} else {
			high = middle
		}
	}
}

// String writes the curve with every digit, as in "-0.85 + 1365.7 x raw + 8.4 x raw^2".
func (c *Curve) String() string {
	var b strings.Builder
	for k, f := range c.Coefficients {
		if k > 0 {
			b.WriteString(" + ")
		}
		b.WriteString(strconv.FormatFloat(f, 'g', -1, 64))
		if k > 0 {
			b.WriteString(" x raw")
		}
		if k > 1 {
			b.WriteString("^" + strconv.Itoa(k))
		}
	}
	return b.String()
}

// describe says what raw values come to.
func (c *Curve) describe(l *Indicator, show func(peak.Force) string) string {
	low, high := l.Lowest, l.Highest
	if c.Value(c.From) > c.Value(c.To) {
		low, high = high, low
	}
	return fmt.Sprintf("A raw value counts as %v %v, from %.6g for %s to %.6g for %s.", c, l.Unit, c.From, show(low), c.To, show(high))
}

// warnCurve compares what the registers can say with what the curve needs.
func (d *draft) warnCurve(greatest float64) {
	g, l, b := d.given[scaleSection], &d.cfg.Load, d.cfg.Bench
	c := &l.Curve.Value
	if count := newtons(l.Highest-l.Lowest) / (c.To - c.From); count > newtons(b.Division)*1.001 {
		d.doubt(g, fmt.Sprintf("one count of the register is about %.6g N, coarser than the division (%s)", count, forceText(b.Division)), "coefficients")
	}
	at := c.solve(l.inUnit(b.Capacity), c.From, c.To)
	if at > greatest || at < 0 && (l.Type == Uint16 || l.Type == Uint32) || at < -greatest-1 {
		d.doubt(g, fmt.Sprintf("the type %s does not reach the raw value %.6g of the capacity (%s)", l.Type, at, forceText(b.Capacity)), "coefficients")
	}
}
