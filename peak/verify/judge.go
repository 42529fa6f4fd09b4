package verify

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// What ASTM E4 asks (see the source of each).
const (
	mostError         = 1.0 // per cent of the force (ASTM E4, read)
	mostRepeatability = 1.0 // per cent (ASTM E4, from memory)
	leastForces       = 5   // (ASTM E4, read)
	leastRuns         = 2   // (ASTM E4, read)
	leastResolutions  = 200 // lowest force in resolutions (ASTM E4, read)
	nearest           = 1.0 / 20
	farthest          = 1.0 / 3 // of neighbouring forces, as parts of upper - lower (ASTM E4, read)
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
	Rule   string // such as "ASTM E4, spacing of forces"
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
	ruleSeries        = "ISO 7500-1, three series"
	ruleClass         = "ISO 7500-1, classes"
	ruleCapacity      = "capacity of the bench"
)

// Session is what is judged.
type Session struct {
	Readings   []Reading
	Resolution float64 // the indicator's division in the range, N, above 0
	Capacity   float64 // of the bench, N; 0 when it is not known
}

// Report is what a session came to. From and To are in newtons and mean nothing unless
// Verified.
type Report struct {
	Rows     []Row
	Levels   []Level
	Findings []Finding
	Runs     int
	Verified bool
	From, To float64
	// Class is the best of ISO 7500-1 that the figures of the verified range are
	// good for: 0.5, 1, 2 or 3; 0 for none.
	Class float64
	// ZeroReturn is the largest relative error of the zero returns, per cent of
	// the highest force; ZeroReturns is how many there were.
	ZeroReturn  float64
	ZeroReturns int
}

// MaxError is the largest percent error in the verified range, without its sign.
func (r *Report) MaxError() float64 {
	return r.largest(func(l Level) float64 { return l.MaxError })
}

// MaxRepeatability is the largest E4 repeatability in the verified range, per cent.
func (r *Report) MaxRepeatability() float64 {
	return r.largest(func(l Level) float64 { return l.Repeatability })
}

func (r *Report) largest(of func(Level) float64) (most float64) {
	for _, l := range r.Levels {
		if r.Verified && l.Applied >= r.From && l.Applied <= r.To {
			most = max(most, of(l))
		}
	}
	return most
}

func (r *Report) find(effect Effect, rule, format string, args ...any) {
	r.Findings = append(r.Findings, Finding{Rule: rule, Text: fmt.Sprintf(format, args...), Effect: effect})
}

// Judge judges a session by ASTM E4 and classes it by ISO 7500-1.
func Judge(s Session) Report {
	var r Report
	for _, x := range s.Readings {
		r.Rows = append(r.Rows, rowOf(x))
	}
	sorted, why := sortRuns(s.Readings)
	r.Runs = len(sorted.forces)
	if why != "" {
		r.find(Refuses, ruleReadings, "%s", why)
		return r
	}
	r.Levels = sorted.levels(s.Resolution)
	r.zero(sorted.zeros)
	if r.Runs < leastRuns {
		r.find(Refuses, ruleRuns, "%d run, at least %d are needed", r.Runs, leastRuns)
		return r
	}
	r.beyondCapacity(s)
	r.verify(s)
	if r.Verified {
		r.classify(s)
	}
	return r
}

func (r *Report) beyondCapacity(s Session) {
	if n := len(r.Levels); n > 0 && s.Capacity > 0 && r.Levels[n-1].Applied > s.Capacity {
		r.find(Remark, ruleCapacity, "the highest force, %s, is above what the bench may pull, %s", inUnit(r.Levels[n-1].Applied), inUnit(s.Capacity))
	}
}

// zero looks at the zero returns.
func (r *Report) zero(zeros []Row) {
	r.ZeroReturns = len(zeros)
	if len(r.Levels) == 0 {
		return
	}
	if len(zeros) == 0 {
		r.find(Remark, ruleZero, "no zero return is recorded")
		return
	}
	highest := r.Levels[len(r.Levels)-1].Applied
	for _, z := range zeros {
		r.ZeroReturn = max(r.ZeroReturn, math.Abs(z.Indicated)/highest*100)
	}
	// The return to zero is to be within 1 % of the lowest force (from memory).
	if lowest := r.Levels[0].Applied; r.ZeroReturn/100*highest > lowest*mostError/100 {
		r.find(Refuses, ruleZero, "a zero return of %s is more than 1 %% of the lowest force", inUnit(r.ZeroReturn/100*highest))
	}
}

// verify finds the verified range: the longest row of neighbouring forces that keep
// every rule, if it has enough of them and they are chosen well.
func (r *Report) verify(s Session) {
	from, to := 0, 0 // of the longest row, to exclusive
	for i := 0; i < len(r.Levels); {
		j := i
		for j < len(r.Levels) && r.keeps(r.Levels[j], s.Resolution) {
			j++
		}
		if j-i > to-from {
			from, to = i, j
		}
		i = j + 1
	}
	row := r.Levels[from:to]
	if len(row) < leastForces {
		r.find(Refuses, ruleForces, "%d neighbouring forces keep the rules, at least %d are needed", len(row), leastForces)
		return
	}
	if why := wronglyChosen(row); why != "" {
		r.find(Refuses, ruleSpacing, "%s", why)
		return
	}
	for _, f := range r.Findings {
		if f.Effect == Refuses {
			return
		}
	}
	r.Verified, r.From, r.To = true, row[0].Applied, row[len(row)-1].Applied
}

// keeps says whether a force may be in the verified range, and finds why not.
func (r *Report) keeps(l Level, resolution float64) bool {
	n := len(r.Findings)
	if l.Applied < leastResolutions*resolution {
		r.find(Limits, ruleLowerLimit, "%s is below %d x %s = %s", inUnit(l.Applied), leastResolutions, inUnit(resolution), inUnit(leastResolutions*resolution))
	}
	if l.MaxError > mostError {
		r.find(Limits, ruleError, "at %s the error is %.4f %%, at most %g %% is allowed", inUnit(l.Applied), l.MaxError, mostError)
	}
	if l.Repeatability > mostRepeatability {
		r.find(Limits, ruleRepeatability, "at %s the runs differ by %.4f %%, at most %g %% is allowed", inUnit(l.Applied), l.Repeatability, mostRepeatability)
	}
	return len(r.Findings) == n
}

// wronglyChosen says what is wrong with the choice of forces; empty when it is right.
func wronglyChosen(row []Level) string {
	lower, upper := row[0].Applied, row[len(row)-1].Applied
	why := ""
	for i := range row[1:] {
		apart := (row[i+1].Applied - row[i].Applied) / (upper - lower)
		// Forces set by hand miss the bound by a little.
		if apart < nearest*(1-sameForce) || apart > farthest*(1+sameForce) {
			why = fmt.Sprintf("%s and %s are %.3f of the range apart: neighbours lie 1/20 to 1/3 of it apart",
				inUnit(row[i].Applied), inUnit(row[i+1].Applied), apart)
			break
		}
	}
	if why == "" || lower < upper/10 && inDecades(row) {
		return ""
	}
	if lower < upper/10 {
		why += ", or at 1, 2, 4, 7 and 10 times the lowest force of each decade"
	}
	return why
}

// decade are the forces of a decade, as multiples of its lowest.
var decade = [...]float64{1, 2, 4, 7}

// inDecades says whether each decade from the lowest force up has the forces that it
// needs, each within a tenth of its place; the last one ends with the highest force.
func inDecades(row []Level) bool {
	lower, upper := row[0].Applied, row[len(row)-1].Applied
	for unit := lower; unit <= upper; unit *= 10 {
		for _, times := range decade {
			if place := times * unit; place <= upper && !anyNear(row, place) {
				return false
			}
		}
	}
	return true
}

func anyNear(row []Level, force float64) bool {
	for _, l := range row {
		if math.Abs(l.Applied-force) <= force/10 {
			return true
		}
	}
	return false
}

// inUnit shows a force to a tenth of a newton.
func inUnit(f float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(f, 'f', 1, 64), ".0") + " N"
}
