package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// correctRequest is the body of a request to judge a pull again with the right scale.
type correctRequest struct {
	By   string `json:"by"`
	Pull int64  `json:"pull"`
	Why  string `json:"why"`
}

func correctCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "correct", "[--config F | --nats URL --bench ID] --pull N --why TEXT [--by NAME]")
	a := addAskFlags(f)
	var r correctRequest
	f.StringVar(&r.By, "by", login(), "`who` asks")
	f.Int64Var(&r.Pull, "pull", 0, "the `number` of the pull whose force was scaled wrongly")
	f.StringVar(&r.Why, "why", "", "the `reason`")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() != 0 {
		return usagef("%q is one word too many; texts with blanks need quotes", f.Arg(0))
	}
	return askDaemon(ctx, out, *a, "correct", r)
}

// askCorrect judges a pull again from the raw values of its trace, with the scale of the
// daemon's config, and records what it comes to beside what it came to before.
func (d *daemon) askCorrect(ctx context.Context, body []byte) ([]byte, error) {
	var r correctRequest
	if err := unmarshal(body, &r, `{"by":"A. Name","pull":7,"why":"the scale of the old load cell"}`); err != nil {
		return nil, err
	}
	switch {
	case r.By == "":
		return nil, badRequest(errNobody)
	case r.Why == "":
		return nil, badRequest(errors.New("say why the pull is corrected"))
	}
	scale, err := rescalingOf(d.config)
	if err != nil {
		return nil, conflict("pull %d cannot be corrected: %v", r.Pull, err)
	}
	v, err := d.pullOnRecord(ctx, r.Pull)
	if err != nil {
		return nil, err
	}
	if err := d.followPull(ctx, v); err != nil {
		return nil, err
	}
	if v.scaledBy == scale.name {
		return nil, conflict("pull %d was corrected with this scale already", r.Pull)
	}
	again, err := v.corrected(scale)
	switch {
	case errors.Is(err, errNoRaw), errors.Is(err, errSameScale), errors.Is(err, errZeroBeyond):
		return nil, conflict("pull %d cannot be corrected: %v", r.Pull, err)
	case err != nil:
		return nil, err
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input {
		d.loop.traces[r.Pull] = v.sealed // this runs in the loop
		return peak.CorrectPull{At: at, Corrected: peak.PullCorrected{
			Old: d.loop.sinceStart(v.ended), New: d.loop.sinceStart(again), Scale: scale.name, Why: r.Why, By: r.By,
		}}
	})
}

// followPull takes what became of a pull after its end: it may have been assigned to a job
// or corrected since.
func (d *daemon) followPull(ctx context.Context, v *onRecord) error {
	traces := publish.Traces{}
	for n, last := v.record+1, d.journal.Last(); n <= last; n++ {
		r, err := d.journal.Next(ctx, n-1)
		if err != nil {
			return err
		}
		if r.Type != peak.TypePullAssigned && r.Type != peak.TypePullCorrected {
			continue
		}
		e, err := publish.Decode(r.Event, sinceEpoch, traces)
		if err != nil {
			return fmt.Errorf("record %d: %w", n, err)
		}
		v.follow(e)
	}
	return nil
}

func (v *onRecord) follow(e peak.Event) {
	switch e := e.(type) {
	case peak.PullAssigned:
		if e.Ended.Pull == v.started.Pull {
			v.ended = e.Ended
			v.assign(peak.Planned{Label: e.Label, Requirement: e.Ended.Requirement.Value}, e.Ended.Job)
		}
	case peak.PullCorrected:
		if e.New.Pull == v.started.Pull {
			v.ended, v.scaledBy = e.New, e.Scale
		}
	}
}
