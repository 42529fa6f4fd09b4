package config

import (
	"errors"
	"slices"

	"thimbled/config/rules"
)

// checkRules puts the branches of the loft's own rules together. What follows
// from a branch that is wrong is not told as well.
func (d *draft) checkRules() {
	wrong := map[string]bool{}
	for _, b := range d.rules {
		if !b.given.sound("id") || wrong[b.id] {
			continue
		}
		if _, err := rules.Find(b.id); err == nil {
			d.wrong(b.given, "is the id of a published rule: choose another", "id")
			wrong[b.id] = true
			continue
		}
		wrong[b.id] = !b.given.sound("item", "document", "above", "up_to", "least", "most", "hold") || !d.branch(b)
	}
}

// branch adds a branch to its rule, if it can.
func (d *draft) branch(b *ruleBlock) bool {
	if b.branch.Least.Base == rules.Target {
		d.wrong(b.given, "has no meaning with a target load, which only published rules on tolerance have: write it with WLL", "least")
		return false
	}
	var fault rules.Fault
	if err := d.cfg.rule(b).Add(b.branch); errors.As(err, &fault) {
		d.wrong(b.given, fault.Text, fault.Key)
		return false
	}
	return true
}

// rule returns the rule that a block belongs to; its first block makes it.
func (c *Config) rule(b *ruleBlock) *rules.Rule {
	i := slices.IndexFunc(c.Rules, func(r rules.Rule) bool { return r.ID == b.id })
	if i < 0 {
		i = len(c.Rules)
		c.Rules = append(c.Rules, rules.Rule{ID: b.id, Item: b.item, Hold: b.hold, Document: b.document, HowKnown: rules.OwnRule})
	}
	return &c.Rules[i]
}
