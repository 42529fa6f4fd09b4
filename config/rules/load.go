package rules

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"thimbled/peak"
)

// Load is a force or a mass exactly as it is written, such as "25 t", from 1 N to
// 1000 MN. A mass counts as its weight at standard gravity, 9.80665 m/s². Loads
// that are written alike are equal.
type Load struct {
	number string // decimal, without a sign, an exponent or needless zeros
	unit   peak.ForceUnit
}

const leastLoad, greatestLoad = peak.Newton, 1000 * peak.Meganewton

// ParseLoad reads a load. Unlike [peak.ParseForce] it does not round, so that a
// rule's branch is found at its very end.
func ParseLoad(s string) (Load, error) {
	if _, err := peak.ParseForce(s); err != nil {
		return Load{}, err
	}
	// No unit begins with a letter of an exponent.
	text := strings.TrimSpace(s)
	end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789eE", r) })
	unit, err := peak.ParseForceUnit(strings.TrimSpace(text[end:]))
	if err != nil {
		return Load{}, err
	}
	number, ok := new(big.Rat).SetString(text[:end])
	if !ok {
		return Load{}, fmt.Errorf("%q does not begin with a number", s)
	}
	l := Load{exactly(number), unit}
	// Written out it is longer than with an exponent or without a leading zero.
	if _, err := peak.ParseForce(l.String()); err != nil {
		return Load{}, err
	}
	if n := l.millinewtons(); n.Cmp(whole(leastLoad)) < 0 || n.Cmp(whole(greatestLoad)) > 0 {
		return Load{}, fmt.Errorf("%q is out of range: allowed is 1 N to 1000 MN", s)
	}
	return l, nil
}

// String shows the load as it was written, without needless zeros.
func (l Load) String() string { return l.number + " " + l.unit.String() }

// Unit is the unit that the load was written in.
func (l Load) Unit() peak.ForceUnit { return l.unit }

// Force is the load rounded to the millinewton, half up.
func (l Load) Force() peak.Force {
	f, err := peak.ParseForce(l.String())
	if err != nil {
		panic(err) // it was read before
	}
	return f
}

// IsMass says that the load counts as a force at standard gravity.
func (l Load) IsMass() bool { return slices.Contains(masses, l.unit) }

var masses = []peak.ForceUnit{peak.UnitKg, peak.UnitT, peak.UnitLb, peak.UnitShortTon, peak.UnitLongTon}

func (l Load) amount() *big.Rat {
	n, _ := new(big.Rat).SetString(l.number)
	return n
}

// millinewtons is the exact size.
func (l Load) millinewtons() *big.Rat { return new(big.Rat).Mul(l.amount(), sizeOf(l.unit)) }

// sizeOf returns how many millinewtons one of a unit is. Two thousand million of
// any unit are a whole number of them, so that no rounding is in what is read.
func sizeOf(u peak.ForceUnit) *big.Rat {
	const many = 2_000_000_000
	f, err := peak.ParseForce(fmt.Sprint(many, " ", u))
	if err != nil {
		panic(err)
	}
	return big.NewRat(int64(f), many)
}

func whole(f peak.Force) *big.Rat { return new(big.Rat).SetInt64(int64(f)) }

// roundUp and roundDown return the force next to an exact number of millinewtons.
func roundUp(n *big.Rat) peak.Force {
	q, r := new(big.Int).DivMod(n.Num(), n.Denom(), new(big.Int))
	if r.Sign() != 0 {
		q.Add(q, big.NewInt(1))
	}
	return peak.Force(q.Int64())
}

func roundDown(n *big.Rat) peak.Force {
	return peak.Force(new(big.Int).Div(n.Num(), n.Denom()).Int64())
}

// exactly writes a number that has an end as a decimal, and any other to six
// decimals.
func exactly(n *big.Rat) string {
	decimals, exact := n.FloatPrec()
	if !exact {
		decimals = 6
	}
	return n.FloatString(decimals)
}
