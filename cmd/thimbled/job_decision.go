package main

import (
	"cmp"
	"errors"
	"fmt"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/peak/decision"
	"thimbled/publish"
)

// errUnverified refuses a decision rule that needs a verification in force.
var errUnverified = errors.New("guarding by the uncertainty needs a verification in force")

// decider puts a decision rule into the requirements of a job.
type decider struct {
	rule     peak.DecisionRule
	guard    string // with the rule guard
	config   *config.Config
	snapshot *publish.Snapshot
	now      time.Duration
}

// decider returns the rule that a job asks for, or else the config. A guard without a
// rule is one by a percentage.
func (d *daemon) decider(r jobRequest) (decider, error) {
	out := decider{rule: peak.DecisionRule(r.Decision), guard: r.Guard, config: d.config, snapshot: d.loop.snapshot.Load(), now: d.loop.now()}
	usual := d.config.Decision
	switch {
	case out.rule == "" && out.guard != "":
		out.rule = peak.GuardedByPercentage
	case out.rule == "":
		out.rule = usual.Rule
	}
	if out.rule == peak.GuardedByPercentage && out.guard == "" && usual.Rule == out.rule {
		out.guard = usual.Guard.String()
	}
	switch {
	case out.rule == peak.GuardedByPercentage && out.guard == "":
		return out, errors.New(`say how much to raise the required force: "guard":"1 %"`)
	case out.rule != peak.GuardedByPercentage && out.guard != "":
		return out, fmt.Errorf("a guard has no meaning with the decision rule %s", out.rule)
	}
	switch out.rule {
	case peak.SimpleAcceptance, peak.GuardedByPercentage, peak.GuardedByUncertainty:
	default:
		return out, fmt.Errorf("there is no decision rule %q: say simple, guard or uncertainty", out.rule)
	}
	return out, nil
}

// decide sets rule and guards of a requirement. Guarded by the uncertainty, the
// required force is raised, and the limit lowered, by the expanded uncertainty that the
// verification in force gives such a force beforehand.
func (d decider) decide(r peak.Requirement) (peak.Requirement, error) {
	r.Rule = d.rule
	var u peak.Force
	var err error
	if d.rule == peak.GuardedByUncertainty {
		if u, err = d.uncertainty(r.Asked); err != nil {
			return r, err
		}
	}
	if r.Guard, err = decision.Guard(d.rule, r.Guard, u, r.Asked); err != nil || d.rule != peak.GuardedByUncertainty {
		return r, err
	}
	if r.Limit.Known {
		if r.LimitGuard, err = d.uncertainty(r.Limit.Value); err != nil {
			return r, fmt.Errorf("limit: %w", err)
		}
	}
	return r, d.config.Settings().Check(r)
}

// uncertainty is the expanded uncertainty of a net force that is yet to be pulled.
func (d decider) uncertainty(net peak.Force) (peak.Force, error) {
	gross := net + d.snapshot.State.Tare
	ready := readiness{config: d.config}
	set := d.config.Settings()
	name := set.RangeOf(gross).Name
	check := ready.verificationOf(d.snapshot, name, d.now)
	budget, ok := set.Beforehand(gross, d.snapshot.State.Verified)
	if !ok || check.State == publish.NotInOrder {
		why := cmp.Or(check.Why, "none is on record")
		return 0, fmt.Errorf("%w for %v: %s", errUnverified, net, why)
	}
	for _, v := range d.snapshot.State.Verified {
		if v.Range == name && (gross < v.From || gross > v.To) {
			return 0, fmt.Errorf("%w for %v: the one on record is for %v to %v", errUnverified, net, v.From, v.To)
		}
	}
	return budget.Expanded(), nil
}
