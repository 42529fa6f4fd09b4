package peak

import (
	"math/big"
	"math/bits"
)

// coverage is the coverage factor of expanded uncertainties (JCGM 100:2008,
// 6.3.3: about 95 % for a normal distribution).
const coverage = 2

// Budget is the uncertainty budget of one force by JCGM 100:2008 (GUM): standard
// uncertainties, independent of each other, added as squares.
type Budget struct {
	Verification  Force // the largest error found, not corrected: rectangular
	Reference     Force // of the reference standard: half its expanded uncertainty
	Repeatability Force // the spread of the verification's runs: rectangular
	Resolution    Force // a division at the reading and one at the zero: rectangular
	ZeroShift     Force // what zero moved during the pull: rectangular
	Noise         Force // standard deviation of the readings
	Sampling      Force // what can pass between two values of the indicator: rectangular
}

// Combined is the combined standard uncertainty, rounded up to a millinewton.
func (b Budget) Combined() Force {
	return b.expanded(1)
}

// Expanded is the expanded uncertainty, k = 2, rounded up to a millinewton.
func (b Budget) Expanded() Force { return b.expanded(coverage) }

func (b Budget) expanded(k int64) Force {
	sum, square := new(big.Int), new(big.Int)
	for _, u := range [...]Force{
		b.Verification, b.Reference, b.Repeatability, b.Resolution, b.ZeroShift, b.Noise, b.Sampling,
	} {
		square.SetInt64(int64(u))
		sum.Add(sum, square.Mul(square, square))
	}
	return rootUp(sum.Mul(sum, big.NewInt(k*k)))
}

// rootUp is the square root, rounded up. It uses up n.
func rootUp(n *big.Int) Force {
	root := new(big.Int).Sqrt(n)
	if new(big.Int).Mul(root, root).Cmp(n) < 0 {
		root.Add(root, big.NewInt(1))
	}
	return Force(root.Int64())
}

// rectangular is the standard uncertainty of a value that lies anywhere within
// ± half with the same chance: half / sqrt 3 (JCGM 100:2008, 4.3.7), rounded up.
func rectangular(half Force) Force {
	n := new(big.Int).SetInt64(int64(half))
	n.Mul(n, n)
	n.Add(n, big.NewInt(2)) // division by 3 rounds up
	return rootUp(n.Div(n, big.NewInt(3)))
}

// seen is what the readings themselves say about a force.
type seen struct {
	noise     Force
	step      Force // the largest step between two values of the indicator beside it
	zeroShift Force
}

// budget is the budget of a gross force by a verification.
func (s *Settings) budget(gross Force, v Verification, in seen) Budget {
	division := s.RangeOf(gross).Division
	twice := new(big.Int).SetInt64(int64(division))
	twice.Mul(twice, twice) // 2 x (division / (2 sqrt 3))^2 = division^2 / 6
	twice.Add(twice, big.NewInt(5))
	return Budget{
		Verification:  rectangular(v.MaxError.Of(gross)),
		Reference:     (v.Standard.Uncertainty.Of(gross) + coverage - 1) / coverage,
		Repeatability: rectangular((v.Repeatability.Of(gross) + 1) / 2),
		Resolution:    rootUp(twice.Div(twice, big.NewInt(6))),
		ZeroShift:     rectangular(absForce(in.zeroShift)),
		Noise:         in.noise,
		Sampling:      rectangular(in.step),
	}
}

// Beforehand is the budget of a gross force before it is pulled, by the verification
// of its range: zero may shift as far as its limit, the force may move by the motion
// that counts as stable. It is not known without a verification of the instrument
// that is there.
func (s *Settings) Beforehand(gross Force, known []Verification) (Budget, bool) {
	v, ok := verifications(known).of(s.RangeOf(gross).Name)
	if !ok || v.Serial != s.Serial || v.Scale != s.Scale {
		return Budget{}, false
	}
	return s.budget(gross, v, seen{noise: rectangular(s.Zero.Motion / 2), step: s.Zero.Motion, zeroShift: s.Zero.ShiftLimit}), true
}

// uncertainties fills in what is known of the peak's and the held force's.
func (m *Machine) uncertainties(p *pull, e *PullEnded) {
	shift := Known(m.set.Zero.ShiftLimit) // not seen: as far as it may
	if s := e.ZeroShift(); s.Known {
		shift = s
	}
	noise := rectangular(m.set.Zero.Motion / 2) // without a hold to see it in
	if p.noise.n >= enoughNoise {
		noise = p.noise.deviation()
	}
	if v, ok := m.verificationOf(e.Peak, e.Tare); ok {
		e.PeakBudget = Known(m.set.budget(e.Peak.Value+e.Tare, v, seen{noise, p.peakStep, shift.Value}))
	}
	if v, ok := m.verificationOf(e.Held, e.Tare); ok {
		e.HeldBudget = Known(m.set.budget(e.Held.Value+e.Tare, v, seen{noise, m.held.step, shift.Value}))
	}
	e.Update = p.updates.every()
}

// verificationOf is the verification that a net force is reckoned by.
func (m *Machine) verificationOf(net Maybe[Force], tare Force) (Verification, bool) {
	if !net.Known {
		return Verification{}, false
	}
	v, ok := m.standing.verified.of(m.set.RangeOf(net.Value + tare).Name)
	return v, ok && v.Serial == m.set.Serial && v.Scale == m.set.Scale
}

// enoughNoise is how many differences make an estimate worth more than the motion
// that counts as stable.
const enoughNoise = 10

// noise estimates the standard deviation of readings from second differences, which
// neither a slow nor an even change of the force spoils: each has six times the
// variance of a reading.
type noise struct {
	n      uint64
	hi, lo uint64 // sum of the squares
	before [2]Force
	held   int // how many of before there are
}

// see takes the next reading; one beside a gap has no neighbour.
func (d *noise) see(f Force, gap bool) {
	if gap {
		d.held = 0
	}
	if d.held == 2 {
		second := uint64(absForce(f - 2*d.before[1] + d.before[0]))
		hi, lo := bits.Mul64(second, second)
		var carry uint64
		d.lo, carry = bits.Add64(d.lo, lo, 0)
		d.hi += hi + carry
		d.n++
	}
	d.before[0], d.before[1], d.held = d.before[1], f, min(d.held+1, 2)
}

// pause lets the next reading have no neighbour.
func (d *noise) pause() { d.held = 0 }

// deviation is rounded up to a millinewton.
func (d *noise) deviation() Force {
	sum := new(big.Int).SetUint64(d.hi)
	sum.Lsh(sum, 64).Add(sum, new(big.Int).SetUint64(d.lo))
	six := new(big.Int).SetUint64(6 * d.n)
	sum.Add(sum, six).Sub(sum, big.NewInt(1))
	return rootUp(sum.Div(sum, six))
}
