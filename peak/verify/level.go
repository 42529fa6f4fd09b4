package verify

import (
	"math"
	"slices"
)

// Level is one force in all runs. With one run there is no repeatability and no b:
// they are 0 then.
type Level struct {
	Applied         float64 // mean of the runs, N
	Lowest, Highest float64 // of the runs, N
	Runs            int     // that have the force
	MaxError        float64 // the largest percent error of a run, without its sign
	Repeatability   float64 // ASTM E4, from memory: difference of the largest and smallest percent error
	Q               float64 // ISO 7500-1: relative indication error, mean of the runs, per cent
	BOlder          float64 // repeatability by editions before 2015: spread of the forces over their mean, per cent
	BLater          float64 // by the edition of 2015 and later: spread of q, per cent
	Resolution      float64 // relative resolution a, per cent
	Verified        bool    // it lies in the verified range
}

func levelOf(rows []Row, resolution float64) Level {
	applied, indicated, errors := make([]float64, len(rows)), make([]float64, len(rows)), make([]float64, len(rows))
	l := Level{Runs: len(rows)}
	for i, r := range rows {
		applied[i], indicated[i], errors[i] = r.Applied, r.Indicated, r.Percent
		l.MaxError = max(l.MaxError, math.Abs(r.Percent))
	}
	l.Applied, l.Lowest, l.Highest = mean(applied), slices.Min(applied), slices.Max(applied)
	l.Q = mean(errors)
	l.Resolution = resolution / l.Applied * 100
	if l.Runs > 1 {
		l.Repeatability = spread(errors)
		l.BOlder, l.BLater = olderB(applied, indicated, errors), spread(errors)
	}
	return l
}

// olderB is the spread of the forces over their mean, per cent. With the same force
// applied in each run it is that of the indicated forces; else that of the true forces
// at one indicated force, for which each is taken in proportion. Where a run indicates
// nothing there is no such mean; q, which is beyond any class then, stands for it.
func olderB(applied, indicated, q []float64) float64 {
	switch {
	case slices.Min(indicated) < leastForce:
		return spread(q)
	case spread(applied) == 0:
		return spread(indicated) / mean(indicated) * 100
	}
	at := make([]float64, len(applied)) // true forces, of one indicated newton
	for i := range applied {
		at[i] = applied[i] / indicated[i]
	}
	return spread(at) / mean(at) * 100
}

func mean(xs []float64) float64 {
	sum := 0.0
	for _, x := range xs {
		sum += x
	}
	return sum / float64(len(xs))
}

func spread(xs []float64) float64 { return slices.Max(xs) - slices.Min(xs) }
