package calibrate

import (
	"fmt"
	"math"
)

// Reading is what the signal was while the reference applied a force in newtons.
type Reading struct{ Raw, Applied float64 }

// Calibration is what a set of readings shows.
type Calibration struct {
	Degree   int
	Readings []Reading
	Levels   int     // different forces
	From, To float64 // the forces applied, N
	// RawFrom and RawTo bound the signal that was read.
	RawFrom, RawTo float64
	// Response is the signal as a function of the force, the way it is judged; Inverse the
	// force as a function of the signal, the way it is used.
	Response, Inverse *Fit
	E74               E74
}

// The factors of ASTM E74: the lower limit factor is 2.4 standard deviations of the fit,
// and is 0.25 % of the lowest force of class A, 0.05 % of that of class AA.
const (
	lowerLimit = 2.4
	classA     = 400
	classAA    = 2000
)

// E74 is the lower limit factor by ASTM E74 with the lowest force of each class.
type E74 struct {
	// Factor is in the unit of the signal, from the fit of the response.
	Factor float64
	// Response has that factor as a force, by the mean of force over deflection. Inverse
	// has the one of the inverse fit, which is a force already.
	Response, Inverse Limits
}

// Limits are in newtons. The classes hold from the force given here, but not below the
// lowest force applied and not above the highest.
type Limits struct{ Factor, ClassA, ClassAA float64 }

func limitsOf(factor float64) Limits {
	return Limits{Factor: factor, ClassA: factor * classA, ClassAA: factor * classAA}
}

// Calibrate fits both curves of a degree from 1 to 3 and works out the limits. The errors
// are those of data that cannot be used.
func Calibrate(readings []Reading, degree int) (*Calibration, error) {
	raw, force := make([]float64, len(readings)), make([]float64, len(readings))
	for i, r := range readings {
		raw[i], force[i] = r.Raw, r.Applied
	}
	c := &Calibration{Degree: degree, Readings: readings, Levels: len(levels(force))}
	c.From, c.To = bounds(force)
	c.RawFrom, c.RawTo = bounds(raw)
	var err error
	if c.Response, err = FitPolynomial(force, raw, degree); err != nil {
		return nil, fmt.Errorf("fit the signal by the force: %w", err)
	}
	if c.Inverse, err = FitPolynomial(raw, force, degree); err != nil {
		return nil, fmt.Errorf("fit the force by the signal: %w", err)
	}
	factor := lowerLimit * c.Response.ResidualSD
	c.E74 = E74{
		Factor:   factor,
		Response: limitsOf(math.Abs(factor * c.forceOverDeflection())),
		Inverse:  limitsOf(lowerLimit * c.Inverse.ResidualSD),
	}
	return c, nil
}

// offsetPart is how much of its span a signal may be at no load and still be taken for a
// deflection as it is.
const offsetPart = 0.01

// zero is the signal at no load that deflections count from: 0, or where the curve has it
// when the signal has an offset.
func (c *Calibration) zero() float64 {
	if b := c.Response.Coefficients[0]; math.Abs(b) > offsetPart*(c.RawTo-c.RawFrom) {
		return b
	}
	return 0
}

// forceOverDeflection is the mean of force over deflection.
func (c *Calibration) forceOverDeflection() float64 {
	sum, n, zero := 0.0, 0.0, c.zero()
	for _, r := range c.Readings {
		if deflection := r.Raw - zero; deflection != 0 && r.Applied != 0 {
			sum += r.Applied / deflection
			n++
		}
	}
	return sum / max(1, n)
}

// What ASTM E74 asks of a calibration (from memory).
const (
	leastReadings = 30
	leastLevels   = 10
)

// unlikely is the probability below which lack of fit is told (common practice).
const unlikely = 0.05

// Notes are what a person should know before the figures are relied on.
func (c *Calibration) Notes() []string {
	var out []string
	if len(c.Readings) < leastReadings || c.Levels < leastLevels {
		out = append(out, fmt.Sprintf("a calibration by ASTM E74 takes at least %d readings at %d forces: these are %d at %d",
			leastReadings, leastLevels, len(c.Readings), c.Levels))
	}
	if l := c.Response.LackOfFit; l != nil && l.P < unlikely {
		advice := "another degree may fit better"
		if c.Degree == MostDegree {
			advice = "look at the residuals"
		}
		out = append(out, fmt.Sprintf("the curve has not the shape of the data (lack of fit, p = %.2g): %s", l.P, advice))
	}
	highest := math.Max(math.Abs(c.From), math.Abs(c.To))
	for _, class := range []struct {
		name string
		from float64
	}{{"A", c.E74.Inverse.ClassA}, {"AA", c.E74.Inverse.ClassAA}} {
		if class.from > highest {
			out = append(out, "class "+class.name+" begins above the highest force applied: there is none")
		}
	}
	return out
}
