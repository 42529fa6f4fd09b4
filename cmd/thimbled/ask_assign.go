package main

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
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
	v, err := d.pullOnRecord(ctx, r.Pull)
	if err != nil {
		return nil, err
	}
	if v.job != "" {
		return nil, conflict("pull %d belongs to job %s already", r.Pull, v.job)
	}
	if err := d.followPull(ctx, v); err != nil {
		return nil, err
	}
	if v.scaledBy != "" {
		return nil, conflict("pull %d was corrected with another scale and counts for no job; make it again", r.Pull)
	}
	v.assign(planned, open.Value.Job.ID)
	again, err := v.judge()
	if err != nil {
		return nil, err
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input {
		d.loop.traces[r.Pull] = v.sealed // this runs in the loop
		return peak.AssignPull{At: at, By: r.By, Ended: d.loop.sinceStart(again.ended)}
	})
}

// sinceStart lets the times of a pull count as those of the loop do.
func (l *loop) sinceStart(e peak.PullEnded) peak.PullEnded {
	return moved(e, sinceEpoch.Epoch.Sub(l.clock.Epoch))
}

func conflict(format string, args ...any) error {
	return &publish.Refusal{Code: publish.Conflict, Why: fmt.Sprintf(format, args...)}
}

// onRecord is a pull as the journal knows it.
type onRecord struct {
	evidence
	job    string
	ended  peak.PullEnded
	record uint64 // of its end
	sealed publish.Trace
	// scaledBy is the scale that it was corrected with last; empty if it never was.
	scaledBy string
}

// pullOnRecord returns a pull that has ended, with what it was judged by when it was
// made.
func (d *daemon) pullOnRecord(ctx context.Context, number int64) (*onRecord, error) {
	if err := d.index.CatchUp(ctx); err != nil {
		return nil, err
	}
	p, ok := d.index.Pull(number)
	if !ok {
		return nil, &publish.Refusal{Code: publish.NotFound, Why: fmt.Sprintf("there is no pull %d that has ended on record", number)}
	}
	traces := publish.Traces{}
	started, err := d.eventOf(ctx, p.Started, traces)
	if err != nil {
		return nil, err
	}
	ended, err := d.eventOf(ctx, p.Record, traces)
	if err != nil {
		return nil, err
	}
	v := &onRecord{job: p.Job, record: p.Record, sealed: traces[number]}
	var isStart, isEnd bool
	v.started, isStart = started.(peak.PullStarted)
	v.ended, isEnd = ended.(peak.PullEnded)
	if !isStart || !isEnd || v.sealed.Name == "" {
		return nil, conflict("pull %d has no trace, so it cannot be judged again", number)
	}
	before, err := pastOf(ctx, d.journal, p.Record)
	if err != nil {
		return nil, err
	}
	by := before.judgingHere(d.config)
	v.judgedBy, v.trace = &by, filepath.Join(d.dir, filepath.FromSlash(v.sealed.Name))
	v.at, v.doubts = v.ended.StartedAt, carried(v.ended.Reasons)
	return v, nil
}

// eventOf reads a record and rebuilds its event; nil if there is none.
func (d *daemon) eventOf(ctx context.Context, record uint64, traces publish.Traces) (peak.Event, error) {
	if record == 0 {
		return nil, nil
	}
	r, err := d.journal.Next(ctx, record-1)
	if err != nil {
		return nil, err
	}
	return publish.Decode(r.Event, sinceEpoch, traces)
}

// carried are the reasons that a pull keeps when it is judged again: those that no trace
// shows, and the alarm that may have been on before the trace began.
func carried(reasons []peak.Reason) []peak.Reason {
	out := outside(reasons)
	if slices.Contains(reasons, peak.ReadingNotTrusted) {
		out = append(out, peak.ReadingNotTrusted)
	}
	return out
}
