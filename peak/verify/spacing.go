package verify

import (
	"fmt"
	"math"
)

// How ASTM E4 wants the forces of a range chosen (read): neighbours a twentieth to a
// third of it apart, or, when its lower end is below a tenth of the upper, in decades.
const (
	nearest  = 1.0 / 20
	farthest = 1.0 / 3 // of upper - lower
	tenth    = 0.1
	// Forces are measured and not met exactly: so near to a tenth, either will do, and
	// so near to its place in a decade a force stands for it (common practice).
	aboutTenth = 0.02
	aboutPlace = 0.1
)

// decade are the forces of a decade, as multiples of its lowest; ten times that begins
// the next one.
var decade = [...]float64{1, 2, 4, 7}

// wronglyChosen says what is wrong with the choice of forces; empty when it is right.
func (r *Report) wronglyChosen(levels []Level) string {
	switch part := levels[0].Applied / levels[len(levels)-1].Applied; {
	case part < tenth*(1-aboutTenth):
		return r.notInDecades(levels)
	case part < tenth*(1+aboutTenth) && r.notInDecades(levels) == "":
		return ""
	}
	return r.notEven(levels)
}

func (r *Report) notEven(levels []Level) string {
	lower, upper := levels[0].Applied, levels[len(levels)-1].Applied
	for i := range levels[1:] {
		apart := (levels[i+1].Applied - levels[i].Applied) / (upper - lower)
		if exceeds(nearest, apart) || exceeds(apart, farthest) {
			return fmt.Sprintf("%s and %s are %.3f of the range from %s to %s apart: neighbours lie 1/20 to 1/3 of it apart",
				r.show(levels[i].Applied), r.show(levels[i+1].Applied), apart, r.show(lower), r.show(upper))
		}
	}
	return ""
}

// notInDecades says which force is missing. Each decade from the lowest force up has
// its forces; the last one ends with the highest force.
func (r *Report) notInDecades(levels []Level) string {
	lower, upper := levels[0].Applied, levels[len(levels)-1].Applied
	for unit := lower; unit <= upper; unit *= 10 {
		for _, times := range decade {
			if place := float64(times * unit); place <= upper && !anyNear(levels, place) {
				return fmt.Sprintf("%s is below a tenth of %s and no force is near %s: each decade has forces at 1, 2, 4, 7 and 10 times its lowest",
					r.show(lower), r.show(upper), r.show(place))
			}
		}
	}
	return ""
}

func anyNear(levels []Level, place float64) bool {
	for _, l := range levels {
		if math.Abs(l.Applied-place) <= aboutPlace*place {
			return true
		}
	}
	return false
}
