package rules

import (
	"fmt"
	"math/big"
	"strings"

	"thimbled/peak"
)

// Caution is a matter that a person must decide.
type Caution string

// The cautions that a rule may carry; others follow from what it reckons.
const (
	Legs    Caution = "legs"    // the items may have several legs
	Tucked  Caution = "tucked"  // the items have hand-tucked splices
	Splices Caution = "splices" // the items may have hand-tucked splices
)

var cautionTexts = map[Caution]string{
	Legs: "A sling with several legs is pulled leg by leg, each by its own vertical rating: the load given must be that of one leg alone, " +
		"not of the sling. The master link has its own rule.",
	Tucked: "Hand-tucked splices: a person must decide whether they may be proof loaded. By the rule they take 1 to 1.25 times WLL, no more.",
	Splices: "If the item has hand-tucked splices, this rule asks too much of them: they take 1 to 1.25 times WLL, as in b30_9_hand. " +
		"A person must look and decide.",
}

// The OSHA letter of 1988 on proof loading: by anyone but the maker or an
// equivalent entity, without the maker's written leave, it is a loading that is
// not acceptable.
const makersLeave = "A person must decide whether the item may be proof loaded here: by an OSHA letter of 1988, doing so without the maker's " +
	"written leave is an unacceptable loading, unless one is the maker or an equivalent entity. Thimbled cannot know of such leave."

// warnings are what a person must decide about a demand that sets a load.
func (k *reckoning) warnings() []string {
	all := []string{makersLeave}
	for _, c := range k.rule.Cautions {
		all = append(all, cautionTexts[c])
	}
	switch k.rule.Base() {
	case LegsWLL:
		all = append(all, fmt.Sprintf("%v counts as the vertical loads of all legs together, not as the rating of one leg.", k.rated))
	case Target:
		all = append(all, fmt.Sprintf("%v counts as the target, not as WLL: this rule only says how near to a target a test load must come.", k.rated))
	}
	if strings.Contains(k.rule.HowKnown, "from memory") {
		all = append(all, fmt.Sprintf("How this rule is known: %s. Check it against %s before relying on it.", k.rule.HowKnown, k.rule.Source()))
	}
	if k.strength.Known {
		all = append(all, k.strengthWarnings(k.strength.Value)...)
	}
	return all
}

// strengthWarnings compares with the nominal breaking strength where the rule
// does not.
func (k *reckoning) strengthWarnings(strength Load) []string {
	var all []string
	half := new(big.Rat).Quo(strength.millinewtons(), big.NewRat(2, 1))
	if most := k.branch.Most; k.least.Cmp(half) > 0 && (!most.Known || most.Value.Base != Strength) {
		all = append(all, fmt.Sprintf("The least load is above half of the nominal breaking strength, %s. The rule sets no such cap; a person must decide.",
			in(half, strength.unit)))
	}
	if k.rule.Termination == 0 {
		return all
	}
	tonnes := RopeWLL(strength, k.rule.Termination)
	k.say("By the formula of EN 13414-1, a rope of %v with this termination has a WLL of %s t.", strength, tonnes.FloatString(3))
	// Published tables round the formula by up to 2.5 %.
	greatest := new(big.Rat).Mul(tonnes, big.NewRat(1025, 1000))
	if k.rated.millinewtons().Cmp(greatest.Mul(greatest, sizeOf(peak.UnitT))) > 0 {
		all = append(all, fmt.Sprintf("The WLL of %v is more than EN 13414-1 gives for a rope of %v, %s t: check the tag.",
			k.rated, strength, tonnes.FloatString(3)))
	}
	return all
}
