package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// assignRequest is the body of a request to count a pull for the open job.
type assignRequest struct {
	By   string `json:"by"`
	Pull int64  `json:"pull"`
}

// weighRequest is the body of a request to start or stop weighing.
type weighRequest struct {
	By   string `json:"by"`
	Item string `json:"item,omitempty"`
}

func (d *daemon) askWeigh(input func(time.Duration, weighRequest) peak.Input) func(context.Context, []byte) ([]byte, error) {
	return func(ctx context.Context, body []byte) ([]byte, error) {
		var r weighRequest
		if err := unmarshal(body, &r, `{"by":"A. Name","item":"HL-0042"}`); err != nil {
			return nil, err
		}
		if r.By == "" {
			return nil, badRequest(errNobody)
		}
		return d.askCore(ctx, func(at time.Duration) peak.Input { return input(at, r) })
	}
}

// askAssign judges a pull that had no job again from its trace, by the open
// job's next planned pull, and counts it for that.
func (d *daemon) askAssign(ctx context.Context, body []byte) ([]byte, error) {
	var r assignRequest
	if err := unmarshal(body, &r, `{"by":"A. Name","pull":7}`); err != nil {
		return nil, err
	}
	if r.By == "" {
		return nil, badRequest(errNobody)
	}
	open := d.loop.snapshot.Load().State.Job
	if !open.Known || !open.Value.Next.Known {
		return nil, conflict("no job is open that needs a pull; open one first")
	}
	planned := open.Value.Job.Planned[open.Value.Next.Value]
	ended, err := d.judgeAgain(ctx, r.Pull, planned.Requirement)
	if err != nil {
		return nil, err
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input { return peak.AssignPull{At: at, By: r.By, Ended: ended} })
}

func conflict(format string, args ...any) error {
	return &publish.Refusal{Code: publish.Conflict, Why: fmt.Sprintf(format, args...)}
}

// judgeAgain runs the core over the trace of a recorded pull with a requirement.
func (d *daemon) judgeAgain(ctx context.Context, number int64, r peak.Requirement) (peak.PullEnded, error) {
	clock := publish.Clock{Epoch: d.loop.start.Round(0)}
	p, err := d.pullOnRecord(ctx, number, clock)
	if err != nil {
		return peak.PullEnded{}, err
	}
	j := rejudge(d.config.Settings(), p.started, peak.Known(r))
	j.doubts = unseen(p.ended.Reasons)
	if err := j.trace(filepath.Join(d.dir, filepath.FromSlash(p.trace.Name))); err != nil {
		return peak.PullEnded{}, fmt.Errorf("judge pull %d again: %w", number, err)
	}
	return moved(j.end(), p.started.StartedAt-j.started.Value), nil
}

// onRecord is a pull as the journal knows it.
type onRecord struct {
	started peak.PullStarted
	ended   peak.PullEnded
	trace   publish.Trace
}

// pullOnRecord looks for a pull that has no job, from the newest record back.
func (d *daemon) pullOnRecord(ctx context.Context, number int64, clock publish.Clock) (onRecord, error) {
	var found onRecord
	traces := publish.Traces{}
	for record := d.journal.Last(); record > 0; record-- {
		r, err := d.journal.Next(ctx, record-1)
		if err != nil {
			return found, err
		}
		e, err := publish.Decode(r.Event, clock, traces)
		if errors.Is(err, publish.ErrNotDecoded) {
			continue
		}
		if err != nil {
			return found, err
		}
		switch e := e.(type) {
		case peak.PullAssigned:
			if e.Ended.Pull == number {
				return found, conflict("pull %d belongs to job %s already", number, e.Ended.Job)
			}
		case peak.PullEnded:
			if e.Pull == number {
				found.ended = e
			}
		case peak.PullStarted:
			if e.Pull == number {
				found.started, found.trace = e, traces[number]
				return found, found.assignable()
			}
		}
	}
	return found, &publish.Refusal{Code: publish.NotFound, Why: fmt.Sprintf("there is no pull %d on record", number)}
}

func (p onRecord) assignable() error {
	switch {
	case p.started.Job != "":
		return conflict("pull %d belongs to job %s", p.started.Pull, p.started.Job)
	case p.ended.Pull == 0:
		return conflict("pull %d has not ended", p.started.Pull)
	case p.trace.Name == "":
		return conflict("pull %d has no trace, so it cannot be judged again", p.started.Pull)
	}
	return nil
}

// trace runs the core over a pull's trace.
func (j *judgement) trace(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	trace, err := journal.NewTraceReader(f)
	if err != nil {
		return err
	}
	return eachReading(trace, func(x *peak.Reading) error { j.see(x, 0); return nil })
}

// unseen are the reasons that cannot be found in a trace again.
func unseen(reasons []peak.Reason) []peak.Reason {
	var out []peak.Reason
	for _, r := range reasons {
		switch r {
		case peak.ClockStep, peak.ConstantChanged, peak.ForcePressureDisagree:
			out = append(out, r)
		}
	}
	return out
}

// moved returns what a pull came to with its times in another count.
func moved(e peak.PullEnded, by time.Duration) peak.PullEnded {
	e.StartedAt += by
	e.DecidedAt += by
	e.PeakAt += by
	e.EndedAt.Value += by
	e.Hold.From.Value += by
	e.Hold.To.Value += by
	return e
}
