package config

import (
	"time"

	"thimbled/config/rules"
	"thimbled/peak"
)

// ruleBlock is one [[rule]], a branch of a rule of the loft's own.
type ruleBlock struct {
	given    *given
	id       string
	item     string
	document string
	hold     peak.Maybe[time.Duration]
	branch   rules.Branch
}

// firstBranch says that no earlier [[rule]] has the same id.
func firstBranch(d *draft) bool {
	for _, earlier := range d.rules {
		if earlier != d.rule && earlier.id == d.rule.id {
			return false
		}
	}
	return true
}

// onFirst is the unfit of what a rule says once, with its first branch.
func onFirst(d *draft) string {
	if firstBranch(d) {
		return ""
	}
	return "stands with the first [[rule]] of this id: leave it out here"
}

var ruleKeys = []key{
	{name: "id", needed: always, example: `"loft_spreader"`,
		doc:   "Name of the rule, of letters, digits, - and _, that no published rule has; each further [[rule]] with the same id is its next branch.",
		field: words("loft_spreader", checkName, func(d *draft, s string) { d.rule.id = s })},
	{name: "item", needed: firstBranch, unfit: onFirst, example: `"spreader of our own make"`,
		doc:   "What the rule is for.",
		field: words("spreader of our own make", checkLine, func(d *draft, s string) { d.rule.item = s })},
	{name: "document", needed: firstBranch, unfit: onFirst, example: `"loft instruction 7"`,
		doc:   "Where the rule is written down.",
		field: words("loft instruction 7", checkLine, func(d *draft, s string) { d.rule.document = s })},
	{name: "above", example: `"10 t"`,
		doc: "The branch is for rated loads above this one, which the branch before goes up to.",
		field: named(rules.ParseLoad, "10 t",
			func(d *draft, l rules.Load) { d.rule.branch.Above = peak.Known(l) })},
	{name: "up_to", example: `"20 t"`,
		doc: "Greatest rated load that the branch is for.",
		field: named(rules.ParseLoad, "20 t",
			func(d *draft, l rules.Load) { d.rule.branch.UpTo = peak.Known(l) })},
	{name: "least", needed: always, example: `"1.25 x WLL"`,
		doc: "The proof load that must be reached, from the item's WLL, the leg WLL of a sling's single leg, or the combined leg force.",
		field: named(rules.ParseFormula, "1.25 x WLL",
			func(d *draft, f rules.Formula) { d.rule.branch.Least = f })},
	{name: "most", example: `"1.3 x WLL"`,
		doc: `The proof load that must not be exceeded; "0.5 x strength" is half of the nominal breaking strength.`,
		field: named(rules.ParseFormula, "1.3 x WLL",
			func(d *draft, f rules.Formula) { d.rule.branch.Most = peak.Known(f) })},
	{name: "hold", unfit: onFirst, example: `"60 s"`,
		doc: "How long the load is held at least.",
		field: quantity(peak.ParseDuration, "60 s", "1 s", "24 h",
			func(d *draft, t time.Duration) { d.rule.hold = peak.Known(t) })},
}
