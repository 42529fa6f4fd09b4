package peak

import (
	"slices"
	"time"
)

// Range is one measuring range of the load indicator with its own division.
type Range struct {
	Name     string // empty when the indicator has only one
	UpTo     Force  // the highest force shown in it
	Division Force
}

// Standard is what the force was compared with.
type Standard struct {
	Name string // such as the reference's kind, number and report
	// Uncertainty is its expanded uncertainty (k = 2) as a part of the force.
	Uncertainty Ratio
}

// Verification is what a comparison of one range with a reference standard
// showed, as far as pulls are judged by it.
type Verification struct {
	Range    string
	Serial   string       // of the load cell and indicator that were compared
	Scale    string       // how a raw signal was made a force; empty when the indicator gives forces
	Constant Maybe[int64] // the indicator's calibration constant then, if it can be read
	From, To Force        // the verified range
	// On and Until are when it was made and the last moment it counts.
	On, Until time.Duration
	Standard  Standard
	// MaxError is the largest error found within the verified range, without
	// its sign; Repeatability the largest spread of the runs.
	MaxError, Repeatability Ratio
	ISOClass                string // such as "0.5"; empty for none
	By                      string
	// Report names the report and its SHA-256 digest, if there is one.
	Report string
}

// RangeOf is the range that shows a force: the finest that reaches it. A force
// beyond all of them belongs to the last.
func (s *Settings) RangeOf(f Force) Range {
	if len(s.Ranges) == 0 {
		return Range{UpTo: s.Capacity, Division: s.Division}
	}
	for _, r := range s.Ranges {
		if f <= r.UpTo {
			return r
		}
	}
	return s.Ranges[len(s.Ranges)-1]
}

// verifications are the ones that count, at most one for each range.
type verifications []Verification

// keep takes a new verification in place of the one that its range had.
func (vs verifications) keep(v Verification) verifications {
	out := slices.DeleteFunc(slices.Clone(vs), func(old Verification) bool { return old.Range == v.Range })
	return append(out, v)
}

// of returns the verification of a range.
func (vs verifications) of(name string) (Verification, bool) {
	i := slices.IndexFunc(vs, func(v Verification) bool { return v.Range == name })
	if i < 0 {
		return Verification{}, false
	}
	return vs[i], true
}

// moved returns them with their moments at another count of time.
func (vs verifications) moved(by time.Duration) verifications {
	out := slices.Clone(vs)
	for i := range out {
		out[i].On += by
		out[i].Until += by
	}
	return out
}

// standing is what is known about the readings when a force is judged.
type standing struct {
	verified verifications
	constant Maybe[int64]
}

// speaksAgainst says why a gross force at a moment does not count as verified. A
// bench of which no verification is on record is not judged by any.
func (in *standing) speaksAgainst(set *Settings, gross Force, at time.Duration) (Reason, bool) {
	if len(in.verified) == 0 {
		return "", false
	}
	v, ok := in.verified.of(set.RangeOf(gross).Name)
	switch {
	case !ok || v.Serial != set.Serial || v.Scale != set.Scale:
		return Unverified, true
	case v.Constant.Known && in.constant.Known && v.Constant.Value != in.constant.Value:
		return ConstantChanged, true
	case at > v.Until:
		return VerificationOverdue, true
	case gross < v.From || gross > v.To:
		return OutsideVerifiedRange, true
	}
	return "", false
}

// doubtUnverified notes what speaks against the forces that a pull is judged by:
// its peak and, once reached, the required force.
func (m *Machine) doubtUnverified(p *pull) {
	forces := [2]Maybe[Force]{p.peak}
	if p.requirement.Known && p.hold.longest.From.Known {
		forces[1] = Known(p.requirement.Value.Required())
	}
	for _, f := range forces {
		if !f.Known {
			continue
		}
		r, bad := m.standing.speaksAgainst(&m.set, f.Value+m.zero.tare, p.startedAt)
		// A peak that did not reach the required force decides nothing, however low.
		low := r == OutsideVerifiedRange && p.requirement.Known && f.Value < p.requirement.Value.Required()
		if bad && !low {
			p.doubt(r)
		}
	}
}

// recordVerification makes a verification count from now on.
func (m *Machine) recordVerification(c RecordVerification) {
	v := c.Verification
	why := m.idle()
	switch {
	case why != "":
	case v.From <= 0 || v.To < v.From:
		why = "a verification needs a verified range"
	case !m.set.hasRange(v.Range):
		why = "the bench has no range " + v.Range
	case v.Until <= v.On:
		why = "a verification must count for some time"
	}
	if why != "" {
		m.refuse(c.At, "verify.record", why)
		return
	}
	m.standing.verified = m.standing.verified.keep(v)
	m.session = session{}
	m.emit(ForceVerified{At: c.At, Verification: v, Points: c.Points})
}

func (s *Settings) hasRange(name string) bool {
	if len(s.Ranges) == 0 {
		return name == ""
	}
	return slices.ContainsFunc(s.Ranges, func(r Range) bool { return r.Name == name })
}

// setClock follows the wall clock: moments that were told by it move against
// elapsed time, and a pull in hand needs a person.
func (m *Machine) setClock(c SetClock) {
	m.standing.verified = m.standing.verified.moved(-c.By)
	m.doubt(ClockStep)
	m.emit(ClockStepped(c))
}

// seeConstant follows the indicator's calibration constant.
func (m *Machine) seeConstant(c Constant) {
	if m.standing.constant.Known && m.standing.constant.Value != c.Value {
		m.doubt(ConstantChanged)
	}
	m.standing.constant = Known(c.Value)
}
