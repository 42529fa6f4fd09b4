package rules

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"thimbled/config/near"
	"thimbled/peak"
)

// Rule says what proof load a kind of item takes.
type Rule struct {
	ID   string
	Item string // what it is for
	// Branches are by rising rated load; none if the rule sets no load.
	Branches []Branch
	// Window makes what the branches say a target, which the load may miss by
	// so much.
	Window peak.Maybe[Window]
	// Hold is the least time the load is held; unknown if the rule sets none.
	Hold             peak.Maybe[time.Duration]
	Document, Clause string
	// HowKnown says whether the document was read.
	HowKnown string
	// Remark goes with what is reckoned, in sentences; mostly empty.
	Remark string
	// Cautions are the warnings that go with the rule's items.
	Cautions []Caution
	// Termination is the factor K_T of a wire rope sling's terminations; 0 for
	// other items.
	Termination peak.Ratio
}

// Branch is the part of a rule for a range of rated loads.
type Branch struct {
	// Above is below the range and UpTo its last value; unknown is no bound.
	Above, UpTo peak.Maybe[Load]
	Least       Formula
	Most        peak.Maybe[Formula]
}

// Window bounds a load as parts of its target, the lower and the upper.
type Window struct{ Low, High peak.Ratio }

// OwnRule is how a rule of the loft's own is known.
const OwnRule = "the loft's own rule"

// Source names document and clause, as in "29 CFR 1919.31(a)".
func (r Rule) Source() string {
	if r.Clause == "" || strings.HasPrefix(r.Clause, "(") {
		return r.Document + r.Clause
	}
	return r.Document + " " + r.Clause
}

// SetsLoad says whether the rule sets a proof load from an item's rated load,
// so that an item can be tested by it alone.
func (r Rule) SetsLoad() bool { return len(r.Branches) > 0 && r.Base() != Target }

// Base is what the rule reckons from; empty if it sets no load.
func (r Rule) Base() Base {
	if len(r.Branches) == 0 {
		return ""
	}
	return r.Branches[0].Least.Base
}

// Published returns the published rules, in the order of their documents. Rules
// that disagree stand side by side.
func Published() []Rule { return slices.Clone(published()) }

// All returns the published rules and then those of the loft.
func All(own ...Rule) []Rule { return append(Published(), own...) }

// Find returns the rule called id, published or the loft's own. The error of an
// unknown one says which may have been meant.
func Find(id string, own ...Rule) (Rule, error) {
	all := All(own...)
	names := make([]string, len(all))
	for i, r := range all {
		if r.ID == id {
			return r, nil
		}
		names[i] = r.ID
	}
	return Rule{}, fmt.Errorf("there is no rule %q: %sthimbled rules lists them", id, near.DidYouMean(id, names))
}

// Fault is what is wrong with one part of a branch: above, up_to, least or most.
type Fault struct{ Key, Text string }

func (f Fault) Error() string { return f.Text }

func faultf(key, format string, args ...any) error { return Fault{key, fmt.Sprintf(format, args...)} }

// Add puts a branch behind the others. The error is a [Fault].
func (r *Rule) Add(b Branch) error {
	if err := b.Check(); err != nil {
		return err
	}
	if n := len(r.Branches); n > 0 {
		if err := b.Follows(r.Branches[n-1]); err != nil {
			return err
		}
	}
	r.Branches = append(r.Branches, b)
	return nil
}

// Check says what is wrong with a branch by itself. The error is a [Fault].
func (b Branch) Check() error {
	low := new(big.Rat)
	if b.Above.Known {
		low = b.Above.Value.millinewtons()
	}
	switch {
	case b.Least.Base == Strength:
		return faultf("least", "must not be reckoned from the strength: write it with WLL")
	case b.UpTo.Known && b.UpTo.Value.millinewtons().Cmp(low) <= 0:
		return faultf("up_to", "up_to (%v) must be more than above (%v)", b.UpTo.Value, b.Above.Value)
	case !b.Most.Known || b.Most.Value.Base == Strength:
		return nil
	case b.Most.Value.Base != b.Least.Base:
		return faultf("most", "is reckoned from the %s and the least from the %s: use one", b.Most.Value.Base, b.Least.Base)
	case !b.mostIsAbove(low):
		return faultf("most", "most (%v) must be above least (%v) over the whole range", b.Most.Value, b.Least)
	}
	return nil
}

// mostIsAbove compares the two straight lines at both ends of the range.
func (b Branch) mostIsAbove(low *big.Rat) bool {
	room := func(base *big.Rat) int { return b.Most.Value.of(base).Cmp(b.Least.of(base)) }
	slope := b.Most.Value.times().Cmp(b.Least.times())
	if b.UpTo.Known {
		high := room(b.UpTo.Value.millinewtons())
		return room(low) >= 0 && high >= 0 && room(low)+high > 0
	}
	return room(low) >= 0 && slope >= 0 && room(low)+slope > 0
}

// Follows says what is wrong with a branch behind another one. The error is a
// [Fault].
func (b Branch) Follows(before Branch) error {
	switch {
	case b.Least.Base != before.Least.Base:
		return faultf("least", "is reckoned from the %s and the branch before from the %s: use one", b.Least.Base, before.Least.Base)
	case !before.UpTo.Known:
		return faultf("above", "the branch before has no up_to: write one there, or leave this branch out")
	case !b.Above.Known || b.Above.Value.millinewtons().Cmp(before.UpTo.Value.millinewtons()) != 0:
		return faultf("above", "must be where the branch before ends: write above = %q", before.UpTo.Value.String())
	}
	return nil
}

// covers says whether a rated load lies in the branch's range.
func (b Branch) covers(load *big.Rat) bool {
	return !(b.Above.Known && load.Cmp(b.Above.Value.millinewtons()) <= 0) &&
		!(b.UpTo.Known && load.Cmp(b.UpTo.Value.millinewtons()) > 0)
}

// Range writes the branch's range, as in "above 25 t and up to 160 t"; empty if
// it has no bounds.
func (b Branch) Range() string {
	var parts []string
	if b.Above.Known {
		parts = append(parts, "above "+b.Above.Value.String())
	}
	if b.UpTo.Known {
		parts = append(parts, "up to "+b.UpTo.Value.String())
	}
	return strings.Join(parts, " and ")
}

// Limits writes the least and the most of a branch, the window worked in; most
// is empty if there is none.
func (r Rule) Limits(b Branch) (least, most string) {
	if r.Window.Known {
		w := r.Window.Value
		return scaled(b.Least, w.Low).String(), scaled(b.Least, w.High).String()
	}
	if b.Most.Known {
		most = b.Most.Value.String()
	}
	return b.Least.String(), most
}

// scaled is so much of a formula. Rules with a window add nothing.
func scaled(f Formula, part peak.Ratio) Formula {
	f.Times = exactly(new(big.Rat).Mul(f.times(), ratio(part)))
	return f
}

func ratio(r peak.Ratio) *big.Rat { return big.NewRat(int64(r), int64(100*peak.Percent)) }
