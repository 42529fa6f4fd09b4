package main

import (
	"context"
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

// pullOnRecord returns a pull that has ended and has no job.
func (d *daemon) pullOnRecord(ctx context.Context, number int64, clock publish.Clock) (onRecord, error) {
	if err := d.index.CatchUp(ctx); err != nil {
		return onRecord{}, err
	}
	p, ok := d.index.Pull(number)
	switch {
	case !ok:
		return onRecord{}, &publish.Refusal{Code: publish.NotFound, Why: fmt.Sprintf("there is no pull %d that has ended on record", number)}
	case p.Job != "":
		return onRecord{}, conflict("pull %d belongs to job %s already", number, p.Job)
	}
	traces := publish.Traces{}
	started, err := d.eventOf(ctx, p.Started, clock, traces)
	if err != nil {
		return onRecord{}, err
	}
	ended, err := d.eventOf(ctx, p.Record, clock, traces)
	if err != nil {
		return onRecord{}, err
	}
	found := onRecord{trace: traces[number]}
	var isStart, isEnd bool
	found.started, isStart = started.(peak.PullStarted)
	found.ended, isEnd = ended.(peak.PullEnded)
	if !isStart || !isEnd || found.trace.Name == "" {
		return found, conflict("pull %d has no trace, so it cannot be judged again", number)
	}
	return found, nil
}

// eventOf reads a record and rebuilds its event.
func (d *daemon) eventOf(ctx context.Context, record uint64, clock publish.Clock, traces publish.Traces) (peak.Event, error) {
	if record == 0 {
		return nil, nil
	}
	r, err := d.journal.Next(ctx, record-1)
	if err != nil {
		return nil, err
	}
	return publish.Decode(r.Event, clock, traces)
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
		case peak.ClockStep, peak.ConstantChanged:
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
