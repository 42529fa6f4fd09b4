package main

import (
	"bytes"
	"context"
	"errors"

	"thimbled/config/rules"
	"thimbled/peak"
	"thimbled/publish/search"
)

// rulesRequest is the body of a request for the rules: all of them, or what one
// asks of an item.
type rulesRequest struct {
	Rule     string `json:"rule,omitempty"`
	WLL      string `json:"wll,omitempty"`
	Strength string `json:"strength,omitempty"`
}

// planRequest is the body of a request for the pulls that an item needs.
type planRequest struct {
	Length   string `json:"length"`
	FittingA string `json:"fitting_a,omitempty"`
	FittingB string `json:"fitting_b,omitempty"`
	Grip     string `json:"grip,omitempty"`
	Legs     int    `json:"legs,omitempty"`
}

// askTests finds tests again.
func (d *daemon) askTests(ctx context.Context, body []byte) ([]byte, error) {
	q, err := search.ParseQuery(body)
	if err != nil {
		return nil, err
	}
	return d.index.Answer(ctx, q)
}

// askRules answers as the command thimbled rules --json does.
func (d *daemon) askRules(_ context.Context, body []byte) ([]byte, error) {
	r := rulesRequest{}
	if len(bytes.TrimSpace(body)) > 0 {
		if err := unmarshal(body, &r, `{"rule":"ilo_loose","wll":"25 t"}`); err != nil {
			return nil, err
		}
	}
	f := ruleFlags{json: true, wll: r.WLL, strength: r.Strength}
	var out bytes.Buffer
	var err error
	if r.Rule == "" {
		err = f.list(&out, rules.All(d.config.Rules...))
	} else {
		err = f.ask(&out, r.Rule, d.config)
	}
	return answered(&out, err)
}

// askPlan answers as the command thimbled plan --json does.
func (d *daemon) askPlan(_ context.Context, body []byte) ([]byte, error) {
	var r planRequest
	if err := unmarshal(body, &r, `{"length":"12 m"}`); err != nil {
		return nil, err
	}
	if d.config.Bench.Travel == 0 {
		return nil, conflict("the config does not say what the bench can load in one pull: travel under [bench]")
	}
	p := planFlags{length: r.Length, fittingA: r.FittingA, fittingB: r.FittingB, grip: r.Grip, legs: max(1, r.Legs), json: true}
	l, err := p.layout(d.config.Bench)
	if err != nil {
		return nil, badRequest(err)
	}
	plan, err := peak.PlanPulls(l)
	if err != nil {
		return nil, badRequest(err)
	}
	var out bytes.Buffer
	return answered(&out, p.tell(&out, l, plan))
}

// answered makes a command's printed answer that of a request. The answer no is
// an answer.
func answered(out *bytes.Buffer, err error) ([]byte, error) {
	if err != nil && !errors.Is(err, errNo) {
		return nil, badRequest(err)
	}
	return bytes.TrimSpace(out.Bytes()), nil
}
