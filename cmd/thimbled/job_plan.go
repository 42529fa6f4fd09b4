package main

import (
	"cmp"
	"errors"
	"fmt"
	"strings"
	"time"

	"thimbled/config"
	"thimbled/config/rules"
	"thimbled/peak"
)

// job makes the core's job of a request: what it must stand from a rule or from
// the request itself, and its pulls from the item's length or as they are listed.
func (r jobRequest) job(c *config.Config, now time.Time, rule decider) (peak.Job, error) {
	j := peak.Job{
		ID: r.ID, Item: r.Item, Description: r.Description, Kind: r.Kind, Legs: r.Legs, Owner: r.Owner, Operator: cmp.Or(r.Operator, r.By),
		Rule: r.Rule, Source: r.Source, Ambient: r.Ambient,
	}
	if r.By == "" {
		return j, errNobody
	}
	if j.ID == "" {
		j.ID = "j-" + strings.ReplaceAll(now.UTC().Format("20060102-150405.000"), ".", "-")
	}
	if err := r.quantities(&j); err != nil {
		return j, err
	}
	if r.Rule != "" {
		var err error
		if r, j.Source, err = r.byRule(c); err != nil {
			return j, err
		}
	}
	var err error
	j.Planned, err = r.planned(c, j, rule)
	return j, err
}

func (r jobRequest) quantities(j *peak.Job) (err error) {
	if r.WLL != "" {
		wll, err := rules.ParseLoad(r.WLL)
		if err != nil {
			return fmt.Errorf("wll: %w", err)
		}
		j.WLL = peak.Known(wll.Force())
	}
	if r.Length != "" {
		if j.Length.Value, err = peak.ParseLength(r.Length); err != nil {
			return fmt.Errorf("length: %w", err)
		}
		j.Length.Known = true
	}
	return nil
}

// byRule fills in what a rule asks for.
func (r jobRequest) byRule(c *config.Config) (jobRequest, string, error) {
	if r.Required != "" {
		return r, "", errors.New("give either a rule or the required force, not both")
	}
	if r.WLL == "" {
		return r, "", errors.New(`a rule needs the working load limit: "wll":"5 t"`)
	}
	rule, err := rules.Find(r.Rule, c.Rules...)
	if err != nil {
		return r, "", err
	}
	if !rule.SetsLoad() {
		return r, "", fmt.Errorf("rule %s sets no load to prove", rule.ID)
	}
	demand, err := r.demand(rule)
	if err != nil {
		return r, "", err
	}
	if no := demand.Obstacles(peak.Known(c.Bench.Capacity)); len(no) > 0 {
		return r, "", errors.New(strings.Join(no, "; "))
	}
	r.Required = demand.Least.Value.String()
	if demand.Most.Known {
		r.Limit = cmp.Or(r.Limit, demand.Most.Value.String())
	}
	if demand.Hold.Known {
		r.Hold = cmp.Or(r.Hold, demand.Hold.Value.String())
	}
	return r, cmp.Or(r.Source, rule.Source()+" ("+rule.HowKnown+"): "+demand.Explanation), nil
}

func (r jobRequest) demand(rule rules.Rule) (rules.Demand, error) {
	wll, err := rules.ParseLoad(r.WLL)
	if err != nil {
		return rules.Demand{}, fmt.Errorf("wll: %w", err)
	}
	var strength peak.Maybe[rules.Load]
	if r.Strength != "" {
		if strength.Value, err = rules.ParseLoad(r.Strength); err != nil {
			return rules.Demand{}, fmt.Errorf("strength: %w", err)
		}
		strength.Known = true
	}
	return rule.Demand(wll, strength)
}

func (r jobRequest) planned(c *config.Config, j peak.Job, rule decider) ([]peak.Planned, error) {
	if r.Required == "" && len(r.Pulls) == 0 {
		return nil, errors.New(`say what force each pull must reach: "required":"100 kN", or "rule" and "wll"`)
	}
	pulls := r.Pulls
	if len(pulls) == 0 {
		var err error
		if pulls, err = r.layOut(c, j); err != nil {
			return nil, err
		}
	}
	var out []peak.Planned
	for i, p := range pulls {
		demand := demandFlags{
			required: cmp.Or(p.Required, r.Required), limit: cmp.Or(p.Limit, r.Limit), hold: cmp.Or(p.Hold, r.Hold), guard: rule.guard,
		}
		if demand.required == "" {
			return nil, fmt.Errorf(`pull %d: say what force it must reach: "required":"100 kN"`, i+1)
		}
		requirement, err := demand.requirement(c.Settings())
		if err != nil {
			return nil, fmt.Errorf("pull %d: %w", i+1, err)
		}
		if requirement.Value, err = rule.decide(requirement.Value); err != nil {
			return nil, fmt.Errorf("pull %d: %w", i+1, err)
		}
		out = append(out, peak.Planned{Label: cmp.Or(p.Label, fmt.Sprintf("pull %d", i+1)), Requirement: requirement.Value})
	}
	return out, nil
}

// layOut lists the pulls that the item's length and legs need on this bench. A
// master link carries all legs, so it is pulled to the sum of what they are.
func (r jobRequest) layOut(c *config.Config, j peak.Job) ([]pullRequest, error) {
	if !j.Length.Known && r.Legs <= 1 {
		return []pullRequest{{Label: "whole length"}}, nil
	}
	l := peak.Layout{Length: j.Length.Value, Legs: max(1, r.Legs), Span: c.Bench.Travel, Grip: c.Bench.Grip}
	switch {
	case !j.Length.Known:
		return nil, errors.New(`a sling of several legs needs their length: "length":"4 m"`)
	case l.Span == 0:
		return nil, errors.New("the config does not say what the bench can load in one pull ([bench] travel); list the pulls yourself")
	}
	for _, f := range []struct {
		name, text string
		to         *peak.Length
	}{{"fitting_a", r.FittingA, &l.FittingA}, {"fitting_b", r.FittingB, &l.FittingB}} {
		if f.text == "" {
			continue
		}
		var err error
		if *f.to, err = peak.ParseLength(f.text); err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
	}
	plan, err := peak.PlanPulls(l)
	if err != nil {
		return nil, err
	}
	if plan.Why != "" {
		return nil, errors.New(plan.Why)
	}
	var out []pullRequest
	for _, s := range plan.Setups {
		p := pullRequest{Label: s.Label()}
		if s.Master {
			if p.Required, p.Limit, err = r.together(l.Legs); err != nil {
				return nil, err
			}
		}
		out = append(out, p)
	}
	return out, nil
}

// together is what all legs are pulled to.
func (r jobRequest) together(legs int) (required, limit string, err error) {
	times := func(text string) (string, error) {
		if text == "" {
			return "", nil
		}
		f, err := peak.ParseForce(text)
		return (f * peak.Force(legs)).String(), err
	}
	if required, err = times(r.Required); err != nil {
		return "", "", fmt.Errorf("required: %w", err)
	}
	limit, err = times(r.Limit)
	return required, limit, err
}
