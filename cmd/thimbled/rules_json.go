package main

import (
	"encoding/json"
	"time"

	"thimbled/config/rules"
	"thimbled/peak"
)

// ruleJSON is a rule in the list.
type ruleJSON struct {
	ID       string          `json:"rule"`
	Item     string          `json:"item"`
	Branches []branchJSON    `json:"branches"`
	Hold     json.RawMessage `json:"hold_seconds"`
	Source   string          `json:"source"`
	Document string          `json:"document"`
	Clause   string          `json:"clause"`
	HowKnown string          `json:"how_known"`
}

type branchJSON struct {
	Above *string `json:"above"`
	UpTo  *string `json:"up_to"`
	Least string  `json:"least"`
	Most  *string `json:"most"`
}

func newRuleJSON(r rules.Rule) ruleJSON {
	j := ruleJSON{ID: r.ID, Item: r.Item, Branches: []branchJSON{}, Hold: secondsJSON(r.Hold),
		Source: r.Source(), Document: r.Document, Clause: r.Clause, HowKnown: r.HowKnown}
	for _, b := range r.Branches {
		least, most := r.Limits(b)
		branch := branchJSON{Above: loadJSON(b.Above), UpTo: loadJSON(b.UpTo), Least: least}
		if most != "" {
			branch.Most = &most
		}
		j.Branches = append(j.Branches, branch)
	}
	return j
}

func loadJSON(l peak.Maybe[rules.Load]) *string {
	if !l.Known {
		return nil
	}
	s := l.Value.String()
	return &s
}

// demandJSON is what a rule asks of an item; numbers are exact.
type demandJSON struct {
	Rule        string          `json:"rule"`
	Item        string          `json:"item"`
	WLL         json.RawMessage `json:"wll_newtons"`
	Base        *string         `json:"wll_is"` // what the rule takes the WLL for; null if it sets no load
	Least       json.RawMessage `json:"least_newtons"`
	Most        json.RawMessage `json:"most_newtons"`
	Hold        json.RawMessage `json:"hold_seconds"`
	Source      string          `json:"source"`
	HowKnown    string          `json:"how_known"`
	Explanation string          `json:"explanation"`
	Warnings    []string        `json:"warnings"`
	Obstacles   []string        `json:"obstacles"`
}

func newDemandJSON(d rules.Demand, obstacles []string) demandJSON {
	j := demandJSON{
		Rule: d.Rule.ID, Item: d.Rule.Item, WLL: newtonsJSON(peak.Known(d.Rated.Force())),
		Least: newtonsJSON(d.Least), Most: newtonsJSON(d.Most), Hold: secondsJSON(d.Hold),
		Source: d.Rule.Source(), HowKnown: d.Rule.HowKnown, Explanation: d.Explanation,
		Warnings: append([]string{}, d.Warnings...), Obstacles: append([]string{}, obstacles...),
	}
	if base := string(d.Rule.Base()); base != "" {
		j.Base = &base
	}
	return j
}

func newtonsJSON(f peak.Maybe[peak.Force]) json.RawMessage {
	if !f.Known {
		return json.RawMessage("null")
	}
	return f.Value.AppendNewtons(nil)
}

func secondsJSON(d peak.Maybe[time.Duration]) json.RawMessage {
	if !d.Known {
		return json.RawMessage("null")
	}
	return peak.AppendSeconds(nil, d.Value)
}
