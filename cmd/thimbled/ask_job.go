package main

import (
	"bytes"
	"cmp"
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
	Source      string        `json:"requirement_source,omitempty"`
	Required    string        `json:"required"`
	Limit       string        `json:"limit,omitempty"`
	Hold        string        `json:"hold,omitempty"`
	Guard       string        `json:"guard,omitempty"`
	Pulls       []pullRequest `json:"pulls,omitempty"` // one pull of the whole item when there are none
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

func (d *daemon) serveJobs(c *nats.Commands) error {
	return errors.Join(
		c.Ask("job.open", d.askJobOpen),
		c.Ask("job.show", func(context.Context, []byte) ([]byte, error) {
			return publish.EncodeOpenJob(d.loop.snapshot.Load()), nil
		}),
		c.Ask("job.cancel", d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.CancelJob{At: at, By: r.By, Why: r.Why}
		})),
		c.Ask("job.repeat", d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.RepeatPull{At: at, By: r.By, Why: r.Why}
		})),
		c.Ask("job.finish", d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.FinishJob{At: at, By: r.By}
		})),
		c.Ask("job.assign", d.askAssign),
		c.Ask("inspect", d.askInspect),
		c.Ask("weigh.start", d.askWeigh(func(at time.Duration, r weighRequest) peak.Input {
			return peak.StartWeighing{At: at, By: r.By, Item: r.Item}
		})),
		c.Ask("weigh.stop", d.askWeigh(func(at time.Duration, r weighRequest) peak.Input {
			return peak.StopWeighing{At: at, By: r.By}
		})),
	)
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
	job, err := r.job(d.config.Settings(), time.Now())
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
	for number := d.journal.Last(); number > 0; number-- {
		r, err := d.journal.Next(ctx, number-1)
		if err != nil {
			return "", err
		}
		if r.Type != peak.TypeTestEnded {
			continue
		}
		e, err := publish.Decode(r.Event, publish.Clock{}, publish.Traces{})
		if err != nil {
			return "", err
		}
		if t := e.(peak.TestEnded); t.Job.ID == job {
			return t.Job.Item, nil
		}
	}
	return "", &publish.Refusal{Code: publish.NotFound, Why: fmt.Sprintf("no test of job %q has ended", job)}
}

var errNobody = errors.New(`say who asks: "by":"A. Name"`)

// job makes the core's job of a request.
func (r jobRequest) job(s peak.Settings, now time.Time) (peak.Job, error) {
	j := peak.Job{
		ID: r.ID, Item: r.Item, Description: r.Description, Kind: r.Kind, Legs: r.Legs, Owner: r.Owner, Operator: r.Operator,
		Source: r.Source,
	}
	if r.By == "" {
		return j, errNobody
	}
	if j.ID == "" {
		j.ID = "j-" + now.UTC().Format("20060102-150405.000")
	}
	if j.Operator == "" {
		j.Operator = r.By
	}
	var err error
	if r.WLL != "" {
		if j.WLL.Value, err = peak.ParseForce(r.WLL); err != nil {
			return j, fmt.Errorf("wll: %w", err)
		}
		j.WLL.Known = true
	}
	if r.Length != "" {
		if j.Length.Value, err = peak.ParseLength(r.Length); err != nil {
			return j, fmt.Errorf("length: %w", err)
		}
		j.Length.Known = true
	}
	j.Planned, err = r.planned(s)
	return j, err
}

func (r jobRequest) planned(s peak.Settings) ([]peak.Planned, error) {
	pulls := r.Pulls
	if len(pulls) == 0 {
		pulls = []pullRequest{{Label: "whole item"}}
	}
	var out []peak.Planned
	for i, p := range pulls {
		demand := demandFlags{required: cmp.Or(p.Required, r.Required), limit: cmp.Or(p.Limit, r.Limit), hold: cmp.Or(p.Hold, r.Hold), guard: r.Guard}
		if demand.required == "" {
			return nil, errors.New(`say what force each pull must reach: "required":"100 kN"`)
		}
		requirement, err := demand.requirement(s)
		if err != nil {
			return nil, fmt.Errorf("pull %d: %w", i+1, err)
		}
		out = append(out, peak.Planned{Label: cmp.Or(p.Label, fmt.Sprintf("pull %d", i+1)), Requirement: requirement.Value})
	}
	return out, nil
}
