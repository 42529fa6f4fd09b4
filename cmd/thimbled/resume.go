package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// goOn returns what the core goes on from: the last pull, the offsets, the
// job that is open with what its pulls came to, or the weighing or verification
// that is on, and the verifications that count.
func goOn(ctx context.Context, w *journal.Writer, o journal.Opened, c publish.Clock) (peak.Start, publish.Traces, error) {
	from := peak.Start{LastPull: o.LastPull, Zero: o.Zero.Value, Tare: o.Tare.Value}
	traces := publish.Traces{}
	first := max(o.OpenJob, o.Weighing, o.Session) // no two: one is not begun while another is on
	if first == 0 {
		first = w.Last() + 1
	}
	var numbers []uint64
	for _, number := range o.Verified {
		if number < first {
			numbers = append(numbers, number)
		}
	}
	for number := first; number <= w.Last(); number++ {
		numbers = append(numbers, number)
	}
	for _, number := range numbers {
		r, err := w.Next(ctx, number-1)
		if err != nil {
			return from, nil, err
		}
		e, err := publish.Decode(r.Event, c, traces)
		if errors.Is(err, publish.ErrNotDecoded) {
			continue
		}
		if err != nil {
			return from, nil, fmt.Errorf("record %d: %w", number, err)
		}
		from.Follow(e)
	}
	return from, traces, nil
}

// endInterrupted ends the pull that was in hand when the daemon died: judged
// from its trace, as far as that goes, by the same core.
func endInterrupted(w *journal.Writer, in *journal.PullInHand, s peak.Settings, log *slog.Logger) error {
	// Only durations within the pull matter: times count from its start.
	began, err := startOf(in)
	if err != nil {
		return fmt.Errorf("read the start of pull %d: %w", in.Pull, err)
	}
	j := rejudge(s, began.event, began.event.Requirement)
	traces := publish.Traces{}
	got, err := w.RecoverTrace(in.Record, j.see)
	switch {
	case err == nil:
		traces[in.Pull] = got.Trace
	case errors.Is(err, journal.ErrNoTrace):
		log.Warn("the interrupted pull has no trace", "pull", in.Pull)
	default:
		return fmt.Errorf("recover the trace of pull %d: %w", in.Pull, err)
	}
	ended := j.end()
	_, err = w.Append(publish.Encode(ended, j.clock(began.at), traces))
	return err
}

// started is the start of a pull and its wall-clock time.
type started struct {
	event peak.PullStarted
	at    time.Time
}

func startOf(in *journal.PullInHand) (started, error) {
	data := publish.Event{Type: peak.TypePullStarted, Data: in.Data}
	e, err := publish.Decode(data, publish.Clock{Epoch: time.Unix(0, 0)}, publish.Traces{})
	if err != nil {
		return started{}, err
	}
	p := e.(peak.PullStarted)
	return started{event: p, at: time.Unix(0, 0).Add(p.StartedAt)}, nil
}

// judgement runs the core over the trace of a pull that is known to have
// started.
type judgement struct {
	machine *peak.Machine
	known   peak.PullStarted
	started peak.Maybe[time.Duration] // in the time of the trace
	ended   *peak.PullEnded
	last    time.Duration
	doubts  []peak.Reason // what spoke against the pull and is not in its trace
}

// rejudge returns a core as it stood when the pull began.
func rejudge(s peak.Settings, p peak.PullStarted, r peak.Maybe[peak.Requirement]) *judgement {
	s.Standing = r
	s.Zero.TrackWithin = 0 // the zero of a pull does not move
	return &judgement{machine: peak.New(s, peak.Start{LastPull: p.Pull - 1, Zero: p.Zero, Tare: p.Tare}), known: p}
}

func (j *judgement) see(r *peak.Reading, _ float64) {
	j.last = r.At
	before := j.started.Known
	j.keep(j.machine.Step(r))
	if !before && j.started.Known {
		for _, reason := range j.doubts {
			j.machine.Step(peak.Doubt{At: r.At, Reason: reason})
		}
	}
}

func (j *judgement) keep(events []peak.Event) {
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
func (j *judgement) end() peak.PullEnded {
	j.keep(j.machine.Stop())
	e := peak.PullEnded{
		Pull: j.known.Pull, StartedAt: j.started.Value, DecidedAt: j.last, Requirement: j.known.Requirement,
		Verdict: peak.Unassigned, Reasons: []peak.Reason{peak.Interrupted}, Zero: j.known.Zero, Tare: j.known.Tare,
	}
	if j.known.Requirement.Known {
		e.Verdict, e.Reasons = peak.Incomplete, []peak.Reason{peak.HoldNotReached, peak.Interrupted}
	}
	if j.ended != nil {
		e = *j.ended
	}
	e.Job, e.Label = j.known.Job, j.known.Label
	if j.known.ZeroBefore.Known { // the trace may begin later than that was seen
		e.ZeroBefore = j.known.ZeroBefore
	}
	return e
}

// clock puts the start of the pull at the wall-clock time it was recorded with.
func (j *judgement) clock(at time.Time) publish.Clock {
	return publish.Clock{Epoch: at.Add(-j.started.Value)}
}
