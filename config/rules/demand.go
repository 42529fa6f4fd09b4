package rules

import (
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"thimbled/peak"
)

// Demand is what a rule asks of one item.
type Demand struct {
	Rule Rule
	// Rated is the load that the rule was asked with; see [Rule.Base] for what
	// it stands for.
	Rated Load
	// Least must be reached; unknown if the rule sets no load. It is rounded up
	// to the millinewton.
	Least peak.Maybe[peak.Force]
	// Most must not be exceeded; unknown if the rule sets no such load. It is
	// rounded down to the millinewton.
	Most peak.Maybe[peak.Force]
	// Hold is the least time; unknown if the rule sets none.
	Hold peak.Maybe[time.Duration]
	// Explanation says in sentences how it was reckoned.
	Explanation string
	// Warnings are sentences on what a person must decide.
	Warnings []string
}

// ErrNoStrength says that a rule cannot be worked without the nominal breaking
// strength.
var ErrNoStrength = errors.New("give the nominal breaking strength, a part of which the load must not exceed")

// Demand reckons exactly what the rule asks for an item of this rated load. The
// strength is the nominal breaking strength; most rules do without.
func (r Rule) Demand(rated Load, strength peak.Maybe[Load]) (Demand, error) {
	d := Demand{Rule: r, Rated: rated, Hold: r.Hold}
	if len(r.Branches) == 0 {
		d.Explanation = fmt.Sprintf("%s sets no load. %s", r.ID, d.holdSentence())
		return d, nil
	}
	i := slices.IndexFunc(r.Branches, func(b Branch) bool { return b.covers(rated.millinewtons()) })
	if i < 0 {
		return Demand{}, fmt.Errorf("%s says nothing of a %s of %v: it is for %s", r.ID, r.Base(), rated, r.ranges())
	}
	k := reckoning{rule: r, branch: r.Branches[i], rated: rated, strength: strength}
	k.unit = k.ruleUnit()
	if err := k.work(); err != nil {
		return Demand{}, fmt.Errorf("%s: %w", r.ID, err)
	}
	d.Least = peak.Known(roundUp(k.least))
	if k.most != nil {
		d.Most = peak.Known(roundDown(k.most))
	}
	k.say("%s", d.holdSentence())
	k.sayRounding()
	k.say("%s", r.Remark)
	d.Warnings = k.warnings()
	d.Explanation = strings.Join(k.said, " ")
	return d, nil
}

func (d Demand) holdSentence() string {
	if d.Hold.Known {
		return fmt.Sprintf("The load is held for at least %s s.", peak.AppendSeconds(nil, d.Hold.Value))
	}
	return "The rule sets no time to hold."
}

// Obstacles are the reasons why no pull can meet the demand: on a bench of this
// capacity, if one is known, or on any.
func (d Demand) Obstacles(capacity peak.Maybe[peak.Force]) []string {
	var all []string
	if d.Least.Known && d.Most.Known && d.Least.Value > d.Most.Value {
		all = append(all, fmt.Sprintf("The least load, %v, is above the most, %v: nothing meets both. Check the rated load and the strength.",
			d.Least.Value, d.Most.Value))
	}
	if d.Least.Known && capacity.Known && d.Least.Value > capacity.Value {
		all = append(all, fmt.Sprintf("The least load, %v, is above the capacity of this bench, %v: this bench cannot test the item.",
			d.Least.Value, capacity.Value))
	}
	return all
}

func (r Rule) ranges() string {
	var all []string
	for _, b := range r.Branches {
		all = append(all, b.Range())
	}
	return strings.Join(all, ", ")
}

// reckoning works a demand out and says how.
type reckoning struct {
	rule        Rule
	branch      Branch
	rated       Load
	strength    peak.Maybe[Load]
	unit        peak.ForceUnit // that the rule thinks in
	least, most *big.Rat       // millinewtons; most is nil if there is none
	said        []string
}

func (k *reckoning) say(format string, args ...any) {
	if s := fmt.Sprintf(format, args...); s != "" {
		k.said = append(k.said, s)
	}
}

// ruleUnit is the unit that the rule is written in, or else that of the rated
// load.
func (k *reckoning) ruleUnit() peak.ForceUnit {
	for _, b := range k.rule.Branches {
		for _, l := range []peak.Maybe[Load]{b.Above, b.UpTo, b.Least.Plus} {
			if l.Known {
				return l.Value.unit
			}
		}
	}
	return k.rated.unit
}

// in writes so many millinewtons in a unit.
func in(n *big.Rat, unit peak.ForceUnit) string {
	amount := new(big.Rat).Quo(n, sizeOf(unit))
	text := exactly(amount) + " " + unit.String()
	if _, exact := amount.FloatPrec(); !exact {
		return "about " + text
	}
	return text
}

func (k *reckoning) work() error {
	k.sayRated()
	rated := k.rated.millinewtons()
	k.least = k.branch.Least.of(rated)
	if w := k.rule.Window; w.Known {
		target := k.least
		k.least = new(big.Rat).Mul(target, ratio(w.Value.Low))
		k.most = new(big.Rat).Mul(target, ratio(w.Value.High))
		k.say("The target is %v: %s.", k.branch.Least, in(target, k.unit))
		k.say("The load may be from %v to %v of the target: %s to %s.", w.Value.Low, w.Value.High, in(k.least, k.unit), in(k.most, k.unit))
		return nil
	}
	k.say("The least is %v: %s.", k.branch.Least, in(k.least, k.unit))
	return k.workMost(rated)
}

func (k *reckoning) workMost(rated *big.Rat) error {
	most := k.branch.Most
	switch {
	case !most.Known:
		k.say("The rule sets no most.")
		return nil
	case most.Value.Base != Strength:
		k.most = most.Value.of(rated)
		k.say("The most is %v: %s.", most.Value, in(k.most, k.unit))
		return nil
	case !k.strength.Known:
		return ErrNoStrength
	}
	strength := k.strength.Value
	k.most = most.Value.of(strength.millinewtons())
	k.say("The most is %v, with a nominal breaking strength of %v: %s.", most.Value, strength, in(k.most, strength.unit))
	return nil
}

// sayRated says what the rated load is in newtons and in the rule's unit.
func (k *reckoning) sayRated() {
	n := k.rated.millinewtons()
	text := fmt.Sprintf("The %s of %v is %s", k.rule.Base(), k.rated, in(n, peak.UnitN))
	if k.unit != k.rated.unit {
		text += ", " + in(n, k.unit)
	}
	if within := k.branch.Range(); within != "" {
		text += ", which is " + within
	}
	k.say("%s.", text)
	if k.rated.IsMass() || slices.Contains(masses, k.unit) {
		k.say("Masses count as forces at standard gravity, 9.80665 m/s².")
	}
}

// sayRounding says so if the least or the most is no whole millinewton.
func (k *reckoning) sayRounding() {
	if !k.least.IsInt() {
		k.say("The least in newtons is rounded up to three decimals.")
	}
	if k.most != nil && !k.most.IsInt() {
		k.say("The most in newtons is rounded down to three decimals.")
	}
}
