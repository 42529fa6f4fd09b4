package rules

import (
	"fmt"
	"math/big"

	"thimbled/peak"
)

// squares of what two legs lift together, in ratings of one leg, by their angle
// from horizontal: 2 x sin.
var squares = map[int]int64{60: 3, 45: 2, 30: 1}

// SlingWLL returns the rated load of a sling from the vertical rating of one leg,
// by the tables for chain slings: two legs at 60, 45 or 30 degrees from horizontal
// lift sqrt 3, sqrt 2 or 1 times it, and three or four legs half as much again. It is
// rounded down. Tables round further, such as to 100 lb.
func SlingWLL(leg Load, legs, degrees int) (peak.Force, error) {
	square, ok := squares[degrees]
	switch {
	case legs < 2 || legs > 4:
		return 0, fmt.Errorf("%d legs are in no table: a sling at an angle has 2, 3 or 4", legs)
	case !ok:
		return 0, fmt.Errorf("%d degrees are in no table: the angle of the legs from horizontal is 60, 45 or 30", degrees)
	}
	rating := leg.millinewtons()
	if legs > 2 {
		rating.Mul(rating, big.NewRat(3, 2))
	}
	rating.Mul(rating, rating).Mul(rating, big.NewRat(square, 1))
	floor := new(big.Int).Div(rating.Num(), rating.Denom())
	return peak.Force(floor.Sqrt(floor).Int64()), nil
}

// RopeWLL returns in tonnes the rated load of a wire rope sling with one leg, by
// the formula of EN 13414-1: the rope's least breaking force times the factor K_T
// of its terminations, divided by the factor of utilisation Z_p = 5 and by
// g = 9.81 m/s². The standard's table rounds it by up to 2.5 %.
func RopeWLL(strength Load, termination peak.Ratio) *big.Rat {
	kilonewtons := new(big.Rat).Quo(strength.millinewtons(), whole(peak.Kilonewton))
	kilonewtons.Mul(kilonewtons, ratio(termination))
	return kilonewtons.Quo(kilonewtons, big.NewRat(5*981, 100))
}
