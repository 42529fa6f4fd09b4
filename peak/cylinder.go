package peak

import (
	"math/big"
	"math/bits"
)

// Cylinder is what the pressure acts on. Dry friction of seals and guides holds
// against the motion, so a pressure allows a range of forces.
type Cylinder struct {
	// Bore and Rod are diameters; a pull acts on the annulus between them.
	Bore, Rod Length
	// Friction is the greatest part of the hydraulic force that friction takes.
	Friction Ratio
	// SealFriction is the friction that is there without pressure.
	SealFriction Force
	// ReadingError is what the readings of force and pressure together may be off.
	ReadingError Force
	// Unfollowed is how much the pressure may rise in a rise of the load before the
	// force must have followed.
	Unfollowed Pressure
}

// Band is a range of forces, both ends included.
type Band struct{ Low, High Force }

// Contains says whether some force from low to high lies in the band.
func (b Band) Contains(low, high Force) bool { return high >= b.Low && low <= b.High }

// Push is the hydraulic force on the whole piston, pressure x pi/4 x bore², rounded
// to the millinewton. The pressure must not be negative.
func (c Cylinder) Push(p Pressure) Force { return areaOf(c.Bore, 0).force(p) }

// Pull is the hydraulic force on the annulus, pressure x pi/4 x (bore² - rod²),
// rounded to the millinewton. The pressure must not be negative.
func (c Cylinder) Pull(p Pressure) Force { return areaOf(c.Bore, c.Rod).force(p) }

// Motion is which way the piston goes.
type Motion uint8

// The motions. Standing friction may act either way.
const (
	Standing Motion = iota
	Rising          // the force rises: friction is between the oil and the load
	Falling         // the load drives the piston back against friction
)

// Band is the range of pull forces that a pressure allows. With F the force, pA the
// hydraulic force and R <= Friction x pA + SealFriction the dry friction (Coulomb's),
// balance gives F = pA - R while the force rises, F = pA + R while it falls, and
// anything between while the piston stands. ReadingError widens the range on both
// sides.
func (c Cylinder) Band(p Pressure, m Motion) Band { return c.band(c.Pull(p), m) }

func (c Cylinder) band(hydraulic Force, m Motion) Band {
	friction := c.Friction.Of(hydraulic) + c.SealFriction
	b := Band{Low: hydraulic - c.ReadingError, High: hydraulic + c.ReadingError}
	if m != Falling {
		b.Low -= friction
	}
	if m != Rising {
		b.High += friction
	}
	return b
}

// area is an area in 1e-15 m²; an int64 would hold 9000 m².
type area uint64

// quarterPi is pi/4 in parts of 1e20, rounded (pi from OEIS A000796).
var quarterPi, _ = new(big.Int).SetString("78539816339744830962", 10)

// areaOf is the annulus between two diameters: pi/4 x (bore² - rod²).
func areaOf(bore, rod Length) area {
	squares := new(big.Int).Mul(big.NewInt(int64(bore)), big.NewInt(int64(bore))) // in 1e-12 m²
	squares.Sub(squares, new(big.Int).Mul(big.NewInt(int64(rod)), big.NewInt(int64(rod))))
	a := squares.Mul(squares, quarterPi)
	unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(17), nil) // 1e20 parts of 1e-12 m² in 1e-15 m²
	a.Add(a, new(big.Int).Rsh(unit, 1))
	return area(a.Div(a, unit).Uint64())
}

// force is pressure x area, rounded half up to the millinewton; a pressure below 0
// counts as 0. Up to 1e9 Pa on 9 m² it cannot overflow.
func (a area) force(p Pressure) Force {
	const perMillinewton = 1_000_000_000_000 // Pa x 1e-15 m² in a millinewton
	hi, lo := bits.Mul64(uint64(a), uint64(max(0, p)))
	lo, carry := bits.Add64(lo, perMillinewton/2, 0)
	force, _ := bits.Div64(hi+carry, lo, perMillinewton)
	return Force(force)
}

// partOf is force / whole, rounded to the part per million; whole must be above 0.
func partOf(force, whole Force) Ratio {
	n := new(big.Int).Mul(big.NewInt(int64(force)), big.NewInt(1_000_000))
	return Ratio(roundDiv(n, big.NewInt(int64(whole))).Int64())
}
