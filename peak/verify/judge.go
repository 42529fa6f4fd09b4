package verify

import (
	"fmt"
	"math"
	"strings"

	"thimbled/peak"
)

// Effect says what a finding does to the result.
type Effect string

// The effects.
const (
	Refuses Effect = "refuses" // there is no verified range
	Limits  Effect = "limits"  // the verified range is smaller for it
	Remark  Effect = "remark"
)

// Finding is something that a rule says about the session.
type Finding struct {
	Rule   string // such as "ASTM E4, choice of forces"
	Text   string
	Effect Effect
}

// The rules that findings name.
const (
	ruleReadings      = "series of readings"
	ruleRuns          = "ASTM E4, number of runs"
	ruleForces        = "ASTM E4, number of forces"
	ruleSpacing       = "ASTM E4, choice of forces"
	ruleLowerLimit    = "ASTM E4, lower limit of 200 resolutions"
	ruleError         = "ASTM E4, percent error"
	ruleRepeatability = "ASTM E4, repeatability"
	ruleZero          = "ASTM E4, return to zero"
	ruleStandard      = "ASTM E4, reference standard"
	ruleSeries        = "ISO 7500-1, three series"
	ruleClass         = "ISO 7500-1, classes"
	ruleCapacity      = "capacity of the bench"
)

// Session is what is judged.
type Session struct {
	Readings   []Reading      // in the order they were taken
	Resolution float64        // the indicator's division in the range, N, above 0
	Capacity   float64        // of the bench, N; 0 when it is not known
	Standard   peak.Standard  // the reference; empty when it is not told
	Unit       peak.ForceUnit // that findings tell forces in
}

// Zero is the zero return of a run, in newtons.
type Zero struct {
	Run       int
	Before    float64 // indicated before the first force
	After     float64 // indicated after the last force
	Departure float64 // after - before
}

// Report is what a session came to. From and To are in newtons and 0 unless Verified.
type Report struct {
	Rows     []Row // as they were taken, zero readings too
	Levels   []Level
	Zeros    []Zero
	Findings []Finding
	Runs     int // with a force applied
	Verified bool
	From, To float64
	// Class is the best of ISO 7500-1 that the figures are good for: 0.5, 1, 2 or 3;
	// 0 for none. It is of the forces from ClassFrom to ClassTo, N: the verified
	// range, or all forces when there is none.
	Class              float64
	ClassFrom, ClassTo float64
	// ClassLowerLimit is the lowest force, N, that the class may be stated for.
	ClassLowerLimit float64
	// ZeroReturn is the largest relative error of the zero returns, per cent of
	// the highest force; ZeroReturns is how many there were.
	ZeroReturn  float64
	ZeroReturns int

	resolution float64
	unit       peak.ForceUnit
}

// MaxError is the largest percent error in the verified range, or of all forces when
// there is none, without its sign: the bound of the bias.
func (r *Report) MaxError() float64 {
	return r.largest(func(l Level) float64 { return l.MaxError })
}

// MaxRepeatability is the largest E4 repeatability of the same forces, per cent.
func (r *Report) MaxRepeatability() float64 {
	return r.largest(func(l Level) float64 { return l.Repeatability })
}

func (r *Report) largest(of func(Level) float64) (most float64) {
	for _, l := range r.Levels {
		if l.Verified || !r.Verified {
			most = max(most, of(l))
		}
	}
	return most
}

func (r *Report) find(effect Effect, rule, format string, args ...any) {
	r.Findings = append(r.Findings, Finding{Rule: rule, Text: fmt.Sprintf(format, args...), Effect: effect})
}

func (r *Report) refused() bool {
	for _, f := range r.Findings {
		if f.Effect == Refuses {
			return true
		}
	}
	return false
}

// show tells a force to the indicator's division, or one digit finer where it lies
// between: a force just below a limit must not be told as the limit.
func (r *Report) show(newtons float64) string {
	finer := r.unit.Number(inForce(newtons), r.unit.Decimals(inForce(r.resolution))+1)
	return strings.TrimSuffix(strings.TrimSuffix(finer, "0"), ".") + " " + r.unit.String()
}

func inForce(newtons float64) peak.Force {
	return peak.Force(math.Round(newtons * float64(peak.Newton)))
}

// Judge judges a session by ASTM E4 and classes it by ISO 7500-1. Forces are as
// [Reading] says and at most 1e10 N in size.
func Judge(s Session) Report {
	r := Report{resolution: s.Resolution, unit: s.Unit}
	for _, x := range s.Readings {
		r.Rows = append(r.Rows, rowOf(x))
	}
	all := r.split()
	r.Runs = len(all)
	r.pair(all)
	if r.Runs < leastRuns {
		r.find(Refuses, ruleRuns, "runs: %d, at least %d are needed", r.Runs, leastRuns)
	}
	from, to := r.chooseRange()
	if len(r.Levels) > 0 {
		r.zero(all, r.Levels[from].Lowest)
	}
	r.beyondCapacity(s.Capacity)
	r.standard(s.Standard)
	r.verify(from, to)
	r.classify(r.Levels[from:to])
	return r
}

// verify makes levels[from:to] the verified range if nothing was found that refuses it.
func (r *Report) verify(from, to int) {
	if r.refused() {
		return
	}
	r.Verified, r.From, r.To = true, r.Levels[from].Applied, r.Levels[to-1].Applied
	for i := from; i < to; i++ {
		r.Levels[i].Verified = true
	}
}

func (r *Report) beyondCapacity(capacity float64) {
	if n := len(r.Levels); n > 0 && capacity > 0 && r.Levels[n-1].Highest > capacity {
		r.find(Remark, ruleCapacity, "the highest force, %s, is above what the bench may pull, %s", r.show(r.Levels[n-1].Highest), r.show(capacity))
	}
}

// standardLimit is how uncertain a reference may be where it is used: the lower limit
// of class A of ASTM E74 is 400 x its uncertainty.
const standardLimit = peak.Percent / 4

func (r *Report) standard(s peak.Standard) {
	if s.Uncertainty > standardLimit {
		r.find(Remark, ruleStandard, "%s is uncertain by %v (k = 2), a reference should be so by at most %v", s.Name, s.Uncertainty, standardLimit)
	}
}
