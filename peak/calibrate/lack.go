package calibrate

import (
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// LackOfFit compares how far the means of repeated readings lie from the curve with how
// far the readings lie from their means (NIST/SEMATECH e-Handbook, 4.4.4.6): F is large
// when the curve has the wrong shape.
type LackOfFit struct {
	F        float64
	DF1, DF2 int     // of lack of fit, of pure error
	P        float64 // probability of such an F, or a larger one, if the shape is right
}

// levels are the places of the readings of each different value, in rising order.
func levels(x []float64) [][]int {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case x[a] < x[b]:
			return -1
		case x[a] > x[b]:
			return 1
		}
		return 0
	})
	var out [][]int
	for k, i := range order {
		if k == 0 || x[order[k-1]] != x[i] {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], i)
	}
	return out
}

func (f *Fit) lackOfFit(x, y []float64) *LackOfFit {
	groups := levels(x)
	l := LackOfFit{DF1: len(groups) - len(f.Coefficients), DF2: len(x) - len(groups)}
	if l.DF1 < 1 || l.DF2 < 1 {
		return nil
	}
	lack, pure := 0.0, 0.0
	for _, g := range groups {
		n, rest := float64(len(g)), 0.0
		for _, i := range g {
			rest += f.Residuals[i] / n
		}
		lack += float64(n * float64(rest*rest))
		for _, i := range g {
			off := f.Residuals[i] - rest
			pure += float64(off * off)
		}
	}
	if pure == 0 {
		return nil
	}
	l.F = lack / float64(l.DF1) / (pure / float64(l.DF2))
	l.P = tailOfF(l.F, float64(l.DF1), float64(l.DF2))
	return &l
}

// tailOfF is the probability of an F above f by the incomplete beta function, which keeps
// its digits where 1 - CDF has none left (Abramowitz and Stegun 26.6.2, from memory).
func tailOfF(f, df1, df2 float64) float64 {
	return mathext.RegIncBeta(df2/2, df1/2, df2/(df2+float64(df1*f)))
}
