package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"thimbled/config"
	"thimbled/peak"
)

// planFlags are the flags of thimbled plan.
type planFlags struct {
	config, length, fittingA, fittingB, grip string
	legs                                     int
	json                                     bool
}

func planCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "plan", "--config F --length Q [--fitting-a Q] [--fitting-b Q] [--grip Q] [--legs N] [--json]")
	var p planFlags
	f.StringVar(&p.config, "config", "", "the bench's config `file`")
	f.StringVar(&p.length, "length", "", "the item's `length` from bearing to bearing, such as \"12 m\"; of a sling, that of a leg")
	f.StringVar(&p.fittingA, "fitting-a", "0 m", "the `length` of its end fitting at end A")
	f.StringVar(&p.fittingB, "fitting-b", "0 m", "the `length` of its end fitting at end B")
	f.StringVar(&p.grip, "grip", "", "what a grip on its body takes of the travel and does not load; as in the config if it is not given")
	f.IntVar(&p.legs, "legs", 1, "how many `legs` it has")
	f.BoolVar(&p.json, "json", false, "answer in JSON")
	if err := parse(f, args); err != nil {
		return err
	}
	if p.config == "" || p.length == "" || f.NArg() != 0 {
		return usagef("need --config and --length, and nothing else without a flag")
	}
	c, err := loadConfig(p.config)
	if err != nil {
		return err
	}
	if c.Bench.Travel == 0 {
		return configError{fmt.Errorf(`%s does not say what the bench can load in one pull: write travel = "8 m" under [bench]`, p.config)}
	}
	l, err := p.layout(c.Bench)
	if err != nil {
		return usageError{err}
	}
	plan, err := peak.PlanPulls(l)
	if err != nil {
		return usageError{err}
	}
	if err := p.tell(out.out, l, plan); err != nil {
		return err
	}
	if plan.Why != "" {
		return errNo
	}
	return nil
}

func (p planFlags) layout(bench config.Bench) (peak.Layout, error) {
	l := peak.Layout{Legs: p.legs, Span: bench.Travel, Grip: bench.Grip}
	var errs []error
	read := func(flag, text string, to *peak.Length) {
		if text == "" {
			return
		}
		var err error
		if *to, err = peak.ParseLength(text); err != nil {
			errs = append(errs, fmt.Errorf("--%s: %w", flag, err))
		}
	}
	read("length", p.length, &l.Length)
	read("fitting-a", p.fittingA, &l.FittingA)
	read("fitting-b", p.fittingB, &l.FittingB)
	read("grip", p.grip, &l.Grip)
	return l, errors.Join(errs...)
}

func (p planFlags) tell(w io.Writer, l peak.Layout, plan peak.Plan) error {
	if p.json {
		return encodePlain(w, newPlanJSON(l, plan))
	}
	if plan.Why != "" {
		fmt.Fprintln(w, plan.Why)
		return nil
	}
	fmt.Fprintf(w, "Pulls: %d.\n", len(plan.Setups))
	for i, s := range plan.Setups {
		fmt.Fprintf(w, "%d. %s: %s\n", i+1, s.Label(), s)
	}
	if plan.Overlap.Known {
		fmt.Fprintf(w, "The two pulls of a length overlap by %v.\n", plan.Overlap.Value)
	}
	if l.Legs > 1 {
		fmt.Fprintln(w, "Each leg is pulled to what its rule asks of one leg, not of the sling.")
	}
	return nil
}

// planJSON is a plan; numbers are exact.
type planJSON struct {
	Possible bool            `json:"possible"`
	Pulls    []setupJSON     `json:"pulls"`
	Length   json.RawMessage `json:"length_metres"`
	Span     json.RawMessage `json:"span_metres"`
	Grip     json.RawMessage `json:"grip_metres"`
	Overlap  json.RawMessage `json:"overlap_metres"` // null with one pull
	Longest  json.RawMessage `json:"longest_metres"` // null if no item with these fittings can be tested whole
	Why      string          `json:"why"`            // empty if it is possible
}

// setupJSON is one pull; a master link has no span.
type setupJSON struct {
	Label string          `json:"label"`
	Leg   *int            `json:"leg"`
	End   *peak.End       `json:"end"` // null if both ends are held
	From  json.RawMessage `json:"from_metres"`
	To    json.RawMessage `json:"to_metres"`
	Text  string          `json:"text"`
}

func newPlanJSON(l peak.Layout, plan peak.Plan) planJSON {
	j := planJSON{
		Possible: plan.Why == "", Pulls: []setupJSON{}, Why: plan.Why,
		Length: metresJSON(l.Length, true), Span: metresJSON(l.Span, true), Grip: metresJSON(l.Grip, true),
		Overlap: metresJSON(plan.Overlap.Value, plan.Overlap.Known), Longest: metresJSON(plan.Longest, plan.Longest > 0),
	}
	for _, s := range plan.Setups {
		setup := setupJSON{Label: s.Label(), From: metresJSON(s.From, !s.Master), To: metresJSON(s.To, !s.Master), Text: s.String()}
		if s.Leg > 0 {
			setup.Leg = &s.Leg
		}
		if s.End != peak.BothEnds {
			setup.End = &s.End
		}
		j.Pulls = append(j.Pulls, setup)
	}
	return j
}

func metresJSON(l peak.Length, known bool) json.RawMessage {
	if !known {
		return json.RawMessage("null")
	}
	return l.AppendMetres(nil)
}
