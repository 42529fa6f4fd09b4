package calibrate

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Degrees that a curve may have.
const (
	LeastDegree = 1
	MostDegree  = 3
)

// Errors of data that no curve can be fitted to.
var (
	ErrDegree = errors.New("the degree must be 1, 2 or 3")
	// ErrTooFew: with no more readings than coefficients nothing tells how good the fit is.
	ErrTooFew = errors.New("too few readings")
	// ErrSame: all values are the same, so nothing depends on anything.
	ErrSame = errors.New("all values are the same")
	// ErrRankDeficient: too few different values, or too close together for the degree.
	ErrRankDeficient = errors.New("the values do not determine the curve")
	// ErrTurns: the curve rises and falls, so a signal could be two forces.
	ErrTurns = errors.New("the curve turns")
	// ErrScatter: over its whole range the curve changes no more than the readings scatter.
	ErrScatter = errors.New("the values scatter more than the curve changes")
	// ErrOffset: the powers of values so far from zero leave no digits.
	ErrOffset = errors.New("the values lie too close together for their distance from zero: subtract a constant")
)

// Fit is a polynomial y = B0 + B1 x + B2 x^2 + B3 x^3 by ordinary least squares.
type Fit struct {
	// Coefficients are B0, B1 and so on; Deviations are their standard deviations.
	Coefficients, Deviations []float64
	// Covariance is that of the coefficients, with the residual variance.
	Covariance [][]float64
	// ResidualSD is the standard deviation of the residuals: the root of the sum of their
	// squares over the degrees of freedom, readings less coefficients.
	ResidualSD       float64
	RSquared         float64
	DegreesOfFreedom int
	// Residuals are y less the curve, in the order of the readings.
	Residuals []float64
	// LackOfFit is nil when no value of x was there twice, or nothing tells the runs apart.
	LackOfFit *LackOfFit

	centred centred
}

// centred is the curve over t = (x - middle) / half, which runs from -1 to 1: powers of t
// keep their digits where those of x would not.
type centred struct {
	middle, half float64
	b            []float64
}

// FitPolynomial fits y = f(x) by QR decomposition. x and y are of one length, finite.
func FitPolynomial(x, y []float64, degree int) (*Fit, error) {
	n, p := len(x), degree+1
	switch different := len(levels(x)); {
	case degree < LeastDegree || degree > MostDegree:
		return nil, fmt.Errorf("%w, not %d", ErrDegree, degree)
	case n <= p:
		return nil, fmt.Errorf("%w: degree %d needs at least %d, there are %d", ErrTooFew, degree, p+1, n)
	case different == 1 || len(levels(y)) == 1:
		return nil, ErrSame
	case different < p:
		return nil, fmt.Errorf("%w: degree %d needs %d different ones, there are %d", ErrRankDeficient, degree, p, different)
	}
	c := centre(x)
	powers := c.powers(x, p)
	var qr mat.QR
	qr.Factorize(powers)
	const worst = 1e10 // at least five digits of sixteen are left
	if qr.Cond() > worst {
		return nil, fmt.Errorf("%w: some lie too close together for degree %d", ErrRankDeficient, degree)
	}
	var b mat.VecDense
	if err := qr.SolveVecTo(&b, false, mat.NewVecDense(n, y)); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrRankDeficient, err)
	}
	c.b = b.RawVector().Data
	f := &Fit{DegreesOfFreedom: n - p, centred: c}
	f.judge(powers, y)
	if err := f.expand(&qr); err != nil {
		return nil, err
	}
	f.LackOfFit = f.lackOfFit(x, y)
	return f, f.check(x, y)
}

func centre(x []float64) centred {
	low, high := bounds(x)
	return centred{middle: low + (high-low)/2, half: (high - low) / 2}
}

func bounds(x []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

func (c centred) powers(x []float64, p int) *mat.Dense {
	m := mat.NewDense(len(x), p, nil)
	for i, v := range x {
		t := (v - c.middle) / c.half
		power := 1.0
		for k := range p {
			m.Set(i, k, power)
			power *= t
		}
	}
	return m
}

// judge finds the residuals and what they say.
func (f *Fit) judge(powers *mat.Dense, y []float64) {
	var fitted mat.VecDense
	fitted.MulVec(powers, mat.NewVecDense(len(f.centred.b), f.centred.b))
	mean := 0.0
	for _, v := range y {
		mean += v / float64(len(y))
	}
	rest, total := 0.0, 0.0
	f.Residuals = make([]float64, len(y))
	for i, v := range y {
		r := v - fitted.AtVec(i)
		f.Residuals[i] = r
		rest += float64(r * r)
		total += float64((v - mean) * (v - mean))
	}
	f.ResidualSD = math.Sqrt(rest / float64(f.DegreesOfFreedom))
	f.RSquared = 1 - rest/total
}

// expand turns the curve over t into one over x, and its covariance (R'R)^-1 s^2 with it.
func (f *Fit) expand(qr *mat.QR) error {
	p := len(f.centred.b)
	var whole, r mat.Dense
	qr.RTo(&whole)
	r.CloneFrom(whole.Slice(0, p, 0, p))
	var inverse, over, root mat.Dense
	if err := inverse.Inverse(&r); err != nil {
		return fmt.Errorf("%w: %w", ErrRankDeficient, err)
	}
	toX := f.centred.expansion()
	var b mat.VecDense
	b.MulVec(toX, mat.NewVecDense(p, f.centred.b))
	f.Coefficients = b.RawVector().Data
	root.Mul(toX, &inverse)
	over.Mul(&root, root.T())
	variance := f.ResidualSD * f.ResidualSD
	for j := range p {
		row := make([]float64, p)
		for k := range p {
			row[k] = over.At(j, k) * variance
		}
		f.Covariance = append(f.Covariance, row)
		f.Deviations = append(f.Deviations, math.Sqrt(row[j]))
	}
	return nil
}

// expansion is the matrix that turns coefficients of powers of t into those of powers of
// x: column k has the binomial expansion of ((x - middle) / half)^k.
func (c centred) expansion() *mat.Dense {
	p := len(c.b)
	m := mat.NewDense(p, p, nil)
	m.Set(0, 0, 1)
	for k := 1; k < p; k++ {
		for j := range k {
			m.Set(j, k, m.At(j, k)-float64(c.middle/c.half*m.At(j, k-1)))
			m.Set(j+1, k, m.At(j+1, k)+m.At(j, k-1)/c.half)
		}
	}
	return m
}

// At is the curve's value.
func (f *Fit) At(x float64) float64 { return valueOf(f.Coefficients, x) }

func valueOf(b []float64, x float64) float64 {
	y := 0.0
	for k := len(b) - 1; k >= 0; k-- {
		y = float64(y*x) + b[k]
	}
	return y
}

// Uncertainty is the standard uncertainty of the curve's value, by the covariance of its
// coefficients.
func (f *Fit) Uncertainty(x float64) float64 {
	sum := 0.0
	for j, row := range f.Covariance {
		for k, v := range row {
			sum += float64(v * math.Pow(x, float64(j+k)))
		}
	}
	return math.Sqrt(max(0, sum))
}

// check says what makes a curve useless although it was found.
func (f *Fit) check(x, y []float64) error {
	low, high := bounds(y)
	for i := range x {
		const digits = 1e-9 // of the span of y
		fitted := y[i] - f.Residuals[i]
		if off := math.Abs(f.At(x[i]) - fitted); !(off <= digits*(high-low)) {
			return ErrOffset
		}
	}
	for _, v := range f.Deviations {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return ErrOffset
		}
	}
	ends := [2]float64{f.centred.middle - f.centred.half, f.centred.middle + f.centred.half}
	if !(math.Abs(f.At(ends[1])-f.At(ends[0])) > lowerLimit*f.ResidualSD) {
		return ErrScatter
	}
	if at, ok := f.centred.turn(); ok {
		return fmt.Errorf("%w at %.6g, within the calibrated range", ErrTurns, at)
	}
	return nil
}

// turn returns where the curve turns between the least and the greatest x, if it does.
func (c centred) turn() (x float64, ok bool) {
	var b [MostDegree + 1]float64
	copy(b[:], c.b)
	// The slope is b1 + 2 b2 t + 3 b3 t^2.
	for _, t := range roots(3*b[3], 2*b[2], b[1]) {
		if t >= -1 && t <= 1 {
			return c.middle + float64(t*c.half), true
		}
	}
	return 0, false
}

// roots are the real roots of q t^2 + l t + c, by the form that does not subtract like
// from like.
func roots(q, l, c float64) []float64 {
	if q == 0 {
		if l == 0 {
			return nil
		}
		return []float64{-c / l}
	}
	under := float64(l*l) - float64(4*q*c)
	if under < 0 {
		return nil
	}
	s := -(l + math.Copysign(math.Sqrt(under), l)) / 2
	if s == 0 {
		return []float64{0}
	}
	return []float64{s / q, c / s}
}
