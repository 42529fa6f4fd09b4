package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"thimbled/config"
	"thimbled/config/rules"
	"thimbled/peak"
)

// ruleFlags are the flags of thimbled rules.
type ruleFlags struct {
	config, wll, strength string
	legs, angle           int
	json                  bool
}

func rulesCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "rules", "[--config F] [--json]\n       thimbled rules ID --wll Q [--strength Q] [--legs N --angle A] [--config F] [--json]")
	var r ruleFlags
	f.StringVar(&r.config, "config", "", "the bench's config `file`, for its own rules and its capacity")
	f.BoolVar(&r.json, "json", false, "answer in JSON")
	f.StringVar(&r.wll, "wll", "", "the item's working load `limit`, such as \"25 t\"; of a sling with several legs, that of one leg")
	f.StringVar(&r.strength, "strength", "", "its nominal breaking `strength`, such as \"120 kN\"")
	f.IntVar(&r.legs, "legs", 0, "how many `legs` the sling has: say what it should be marked with")
	f.IntVar(&r.angle, "angle", 0, "the angle of its legs from horizontal in `degrees`: 60, 45 or 30")
	words, err := parseMixed(f, args)
	if err != nil {
		return err
	}
	c, err := r.loadConfig()
	if err != nil {
		return err
	}
	switch {
	case len(words) > 1:
		return usagef("%q is one word too many: give one rule's id", words[1])
	case len(words) == 1:
		return r.ask(out.out, words[0], c)
	case r.wll+r.strength != "" || r.legs != 0 || r.angle != 0:
		return usagef("--wll, --strength, --legs and --angle go with a rule's id")
	}
	return r.list(out.out, rules.All(c.Rules...))
}

// parseMixed parses flags before, between and behind the words of a call, and
// returns the words.
func parseMixed(f *flag.FlagSet, args []string) ([]string, error) {
	var words []string
	for {
		if err := parse(f, args); err != nil {
			return nil, err
		}
		if f.NArg() == 0 {
			return words, nil
		}
		words = append(words, f.Arg(0))
		args = f.Args()[1:]
	}
}

// loadConfig returns the config that is asked for, or an empty one.
func (r ruleFlags) loadConfig() (*config.Config, error) {
	if r.config == "" {
		return &config.Config{}, nil
	}
	return loadConfig(r.config)
}

func (r ruleFlags) list(w io.Writer, all []rules.Rule) error {
	if r.json {
		answer := make([]ruleJSON, len(all))
		for i, rule := range all {
			answer[i] = newRuleJSON(rule)
		}
		return encodePlain(w, answer)
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "RULE\tRATED LOAD\tLEAST\tMOST\tHOLD\tSOURCE\tHOW KNOWN\tFOR")
	for _, rule := range all {
		listRule(table, rule)
	}
	return table.Flush()
}

// listRule writes a line for each branch; what they have in common stands in the
// first.
func listRule(w io.Writer, r rules.Rule) {
	common := fmt.Sprintf("%s\t%s\t%s\t%s", holdText(r.Hold), r.Source(), r.HowKnown, r.Item)
	if len(r.Branches) == 0 {
		fmt.Fprintf(w, "%s\t-\t-\t-\t%s\n", r.ID, common)
	}
	id := r.ID
	for _, b := range r.Branches {
		least, most := r.Limits(b)
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", id, orDash(b.Range()), least, orDash(most), common)
		id, common = "", "\t\t\t"
	}
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func holdText(hold peak.Maybe[time.Duration]) string {
	if !hold.Known {
		return "-"
	}
	return string(peak.AppendSeconds(nil, hold.Value)) + " s"
}

// ask answers what a rule asks of an item. The answer is no if nothing can meet
// it.
func (r ruleFlags) ask(w io.Writer, id string, c *config.Config) error {
	d, err := r.demand(id, c.Rules)
	if err != nil {
		return usageError{err}
	}
	capacity := peak.Maybe[peak.Force]{Value: c.Bench.Capacity, Known: c.Bench.Capacity > 0}
	obstacles := d.Obstacles(capacity)
	if r.json {
		err = encodePlain(w, newDemandJSON(d, obstacles))
	} else {
		tellDemand(w, d, obstacles, c.Bench)
	}
	if err == nil && len(obstacles) > 0 {
		return errNo
	}
	return err
}

func (r ruleFlags) demand(id string, own []rules.Rule) (rules.Demand, error) {
	rule, err := rules.Find(id, own...)
	if err != nil {
		return rules.Demand{}, err
	}
	if r.wll == "" {
		return rules.Demand{}, errors.New(`need the item's working load limit, such as --wll "25 t"`)
	}
	wll, err := rules.ParseLoad(r.wll)
	if err != nil {
		return rules.Demand{}, fmt.Errorf("--wll: %w", err)
	}
	var strength peak.Maybe[rules.Load]
	if r.strength != "" {
		strength.Known = true
		if strength.Value, err = rules.ParseLoad(r.strength); err != nil {
			return rules.Demand{}, fmt.Errorf("--strength: %w", err)
		}
	}
	d, err := rule.Demand(wll, strength)
	switch {
	case errors.Is(err, rules.ErrNoStrength):
		return rules.Demand{}, fmt.Errorf(`%w: write it as --strength "120 kN"`, err)
	case err != nil:
		return rules.Demand{}, err
	}
	return d, r.explainSling(&d)
}

// explainSling adds what a sling with legs of the given rating should be marked
// with.
func (r ruleFlags) explainSling(d *rules.Demand) error {
	if r.legs == 0 && r.angle == 0 {
		return nil
	}
	if !slices.Contains(d.Rule.Cautions, rules.Legs) && d.Rule.Base() != rules.LegWLL {
		return fmt.Errorf("--legs and --angle have no meaning with %s, which is not for the legs of a sling", d.Rule.ID)
	}
	marked, err := rules.SlingWLL(d.Rated, r.legs, r.angle)
	if err != nil {
		return err
	}
	d.Explanation += fmt.Sprintf(" A sling of %d legs, each rated %v, at %d degrees from horizontal has a WLL of %s: compare it with its tag.",
		r.legs, d.Rated, r.angle, d.Rated.Unit().Show(marked, 3))
	return nil
}

func tellDemand(w io.Writer, d rules.Demand, obstacles []string, bench config.Bench) {
	force := func(f peak.Maybe[peak.Force]) string {
		switch {
		case !f.Known:
			return "not set"
		case bench.Division == 0:
			return f.Value.String()
		}
		return fmt.Sprintf("%v (%s)", f.Value, bench.Show.Show(f.Value, bench.Show.Decimals(bench.Division)))
	}
	hold := "not set"
	if d.Hold.Known {
		hold = holdText(d.Hold)
	}
	fmt.Fprintf(w, "%s: %s\n", d.Rule.ID, d.Rule.Item)
	fmt.Fprintf(w, "least   %s\nmost    %s\nhold    %s\n", force(d.Least), force(d.Most), hold)
	fmt.Fprintf(w, "source  %s (%s)\n%s\n", d.Rule.Source(), d.Rule.HowKnown, d.Explanation)
	for _, text := range d.Warnings {
		fmt.Fprintln(w, "warning:", text)
	}
	for _, text := range obstacles {
		fmt.Fprintln(w, "no:", text)
	}
}

// encodePlain writes JSON that a person can read too: signs such as > stay.
func encodePlain(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
