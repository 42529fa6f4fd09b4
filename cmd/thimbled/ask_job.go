package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/nats"
)

// jobRequest is the body of a request to open a job. Quantities are texts with
// their unit, as in the config.
type jobRequest struct {
	By          string        `json:"by"`
	ID          string        `json:"job,omitempty"` // made of the time when it is empty
	Item        string        `json:"item"`
	Description string        `json:"description,omitempty"`
	Kind        string        `json:"kind,omitempty"`
	WLL         string        `json:"wll,omitempty"`
	Length      string        `json:"length,omitempty"`
	Legs        int           `json:"legs,omitempty"`
	Owner       string        `json:"owner,omitempty"`
	Operator    string        `json:"operator,omitempty"`
	Rule        string        `json:"rule,omitempty"`     // instead of required
	Strength    string        `json:"strength,omitempty"` // nominal breaking strength, for rules that ask for it
	FittingA    string        `json:"fitting_a,omitempty"`
	FittingB    string        `json:"fitting_b,omitempty"`
	Source      string        `json:"requirement_source,omitempty"`
	Ambient     string        `json:"ambient,omitempty"` // notes on the surroundings
	Required    string        `json:"required,omitempty"`
	Limit       string        `json:"limit,omitempty"`
	Hold        string        `json:"hold,omitempty"`
	Guard       string        `json:"guard,omitempty"`
	Decision    string        `json:"decision,omitempty"` // simple, guard or uncertainty; as in the config if it is not given
	Pulls       []pullRequest `json:"pulls,omitempty"`    // from length and legs when there are none
}

// pullRequest is one planned pull; what it leaves out is as for the job.
type pullRequest struct {
	Label    string `json:"label"`
	Required string `json:"required,omitempty"`
	Limit    string `json:"limit,omitempty"`
	Hold     string `json:"hold,omitempty"`
}

// whyRequest is the body of a request that needs a reason.
type whyRequest struct {
	By  string `json:"by"`
	Why string `json:"why"`
}

// inspectRequest is the body of a request to record an inspection.
type inspectRequest struct {
	By        string `json:"by"`
	Job       string `json:"job"`
	Inspector string `json:"inspector"`
	Finding   string `json:"finding"` // accepted or rejected
	Examined  string `json:"examined"`
	Notes     string `json:"notes,omitempty"`
}

// unmarshal reads a request's body strictly: a key that means nothing is a
// mistake that must be told.
func unmarshal(body []byte, to any, example string) error {
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.DisallowUnknownFields()
	if err := dec.Decode(to); err != nil {
		return badRequest(fmt.Errorf("the body must be JSON like %s: %w", example, err))
	}
	return nil
}

func (d *daemon) askJobOpen(ctx context.Context, body []byte) ([]byte, error) {
	var r jobRequest
	if err := unmarshal(body, &r, `{"by":"A. Name","item":"HL-0042","required":"100 kN","hold":"60 s"}`); err != nil {
		return nil, err
	}
	rule, err := d.decider(r)
	if err != nil {
		return nil, badRequest(err)
	}
	job, err := r.job(d.config, time.Now(), rule)
	if errors.Is(err, errUnverified) {
		return nil, conflict("%v", err)
	}
	if err != nil {
		return nil, badRequest(err)
	}
	if err := d.journal.Room(); err != nil {
		return nil, conflict("%v", err)
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input { return peak.OpenJob{At: at, By: r.By, Job: job} })
}

func (d *daemon) askWhy(input func(time.Duration, whyRequest) peak.Input) nats.Handler {
	return func(ctx context.Context, body []byte) ([]byte, error) {
		var r whyRequest
		if err := unmarshal(body, &r, `{"by":"A. Name","why":"the hook slipped"}`); err != nil {
			return nil, err
		}
		if r.By == "" {
			return nil, badRequest(errNobody)
		}
		return d.askCore(ctx, func(at time.Duration) peak.Input { return input(at, r) })
	}
}

func (d *daemon) askInspect(ctx context.Context, body []byte) ([]byte, error) {
	var r inspectRequest
	const example = `{"by":"A. Name","job":"…","inspector":"B. Name","finding":"accepted","examined":"wires, ferrules, hooks"}`
	if err := unmarshal(body, &r, example); err != nil {
		return nil, err
	}
	switch {
	case r.By == "":
		return nil, badRequest(errNobody)
	case r.Finding != "accepted" && r.Finding != "rejected":
		return nil, badRequest(errors.New("the finding must be accepted or rejected"))
	}
	item, err := d.itemOfTest(ctx, r.Job)
	if err != nil {
		return nil, err
	}
	f := peak.ItemInspected{
		Job: r.Job, Item: item, Inspector: r.Inspector, Accepted: r.Finding == "accepted", Examined: r.Examined, Notes: r.Notes, By: r.By,
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input { return peak.Inspect{At: at, Finding: f} })
}

// itemOfTest returns the item of an ended test; only what was tested can be
// inspected after a test.
func (d *daemon) itemOfTest(ctx context.Context, job string) (string, error) {
	if err := d.index.CatchUp(ctx); err != nil {
		return "", err
	}
	t, ok := d.index.Test(job)
	if !ok {
		return "", &publish.Refusal{Code: publish.NotFound, Why: fmt.Sprintf("no test of job %q has ended", job)}
	}
	return t.Item, nil
}

var errNobody = errors.New(`say who asks: "by":"A. Name"`)
