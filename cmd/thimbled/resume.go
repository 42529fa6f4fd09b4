package main

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// begun is what the record of a pull's start says.
type begun struct {
	StartedAt  time.Time    `json:"started_at"`
	ZeroBefore *json.Number `json:"zero_before_newtons"`
	Zero       json.Number  `json:"zero_newtons"`
	Tare       json.Number  `json:"tare_newtons"`
	Asked      *json.Number `json:"asked_newtons"`
	Guard      *json.Number `json:"guard_percent"`
	Limit      *json.Number `json:"limit_newtons"`
	Hold       *json.Number `json:"required_hold_seconds"`
	Job        string       `json:"job"`
}

// endInterrupted ends the pull that was in hand when the daemon died: judged
// from its trace, as far as that goes, by the same core.
func endInterrupted(w *journal.Writer, in *journal.PullInHand, s peak.Settings, log *slog.Logger) error {
	var b begun
	if err := json.Unmarshal(in.Data, &b); err != nil {
		return fmt.Errorf("read the start of pull %d: %w", in.Pull, err)
	}
	j, err := b.judge(s, in.Pull)
	if err != nil {
		return fmt.Errorf("read the start of pull %d: %w", in.Pull, err)
	}
	var trace *publish.Trace
	got, err := w.RecoverTrace(in.Record, func(r *peak.Reading, _ float64) { j.see(r) })
	if err != nil {
		log.Error("the interrupted pull has no trace", "pull", in.Pull, "error", err)
	} else {
		trace = &got.Trace
	}
	ended := j.end(b, in.Pull)
	_, err = w.Append(publish.Encode(ended, j.clock(b), trace))
	return err
}

// rejudge runs the core over the trace of a pull that is known to have started.
type rejudge struct {
	machine *peak.Machine
	started peak.Maybe[time.Duration]
	ended   *peak.PullEnded
	last    time.Duration
}

// judge returns a core as it stood when the pull began.
func (b begun) judge(s peak.Settings, number int64) (*rejudge, error) {
	zero, err := newtons(b.Zero)
	if err != nil {
		return nil, err
	}
	tare, err := newtons(b.Tare)
	if err != nil {
		return nil, err
	}
	if s.Standing, err = b.requirement(); err != nil {
		return nil, err
	}
	s.Zero.TrackWithin = 0 // the zero of a pull does not move
	return &rejudge{machine: peak.New(s, peak.Start{LastPull: number - 1, Zero: zero, Tare: tare})}, nil
}

func (b begun) requirement() (peak.Maybe[peak.Requirement], error) {
	var none peak.Maybe[peak.Requirement]
	if b.Asked == nil {
		return none, nil
	}
	var r peak.Requirement
	var err error
	if r.Asked, err = newtons(*b.Asked); err != nil {
		return none, err
	}
	if b.Limit != nil {
		r.Limit.Known = true
		if r.Limit.Value, err = newtons(*b.Limit); err != nil {
			return none, err
		}
	}
	if b.Guard != nil {
		if r.Guard, err = peak.ParseRatio(b.Guard.String() + " %"); err != nil {
			return none, err
		}
	}
	if b.Hold != nil {
		if r.Hold, err = peak.ParseDuration(b.Hold.String() + " s"); err != nil {
			return none, err
		}
	}
	return peak.Known(r), nil
}

func newtons(n json.Number) (peak.Force, error) { return peak.ParseForce(n.String() + " N") }

func (j *rejudge) see(r *peak.Reading) {
	j.last = r.At
	j.keep(j.machine.Step(r))
}

func (j *rejudge) keep(events []peak.Event) {
	for _, e := range events {
		switch e := e.(type) {
		case peak.PullStarted:
			if !j.started.Known {
				j.started = peak.Known(e.StartedAt)
			}
		case peak.PullEnded:
			if j.ended == nil {
				j.ended = &e
			}
		}
	}
}

// end stops the core and returns what became of the pull. A trace too short to
// show its start leaves only that it was interrupted.
func (j *rejudge) end(b begun, number int64) peak.PullEnded {
	j.keep(j.machine.Stop())
	if j.ended == nil {
		j.ended = &peak.PullEnded{
			Pull: number, StartedAt: j.started.Value, DecidedAt: j.last, Verdict: peak.Unassigned,
			Reasons: []peak.Reason{peak.Interrupted},
		}
		if r, err := b.requirement(); err == nil && r.Known {
			j.ended.Requirement, j.ended.Verdict = r, peak.Incomplete
			j.ended.Reasons = []peak.Reason{peak.HoldNotReached, peak.Interrupted}
		}
	}
	j.ended.Job = b.Job
	if b.ZeroBefore != nil {
		if f, err := newtons(*b.ZeroBefore); err == nil {
			j.ended.ZeroBefore = peak.Known(f)
		}
	}
	return *j.ended
}

// clock puts the start of the pull at the wall-clock time it was recorded with.
func (j *rejudge) clock(b begun) publish.Clock {
	return publish.Clock{Epoch: b.StartedAt.Add(-j.started.Value)}
}
