package publish

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"thimbled/peak"
)

// ErrNotDecoded says that an event is of a type that nothing is rebuilt from.
var ErrNotDecoded = errors.New("nothing is rebuilt from this type")

// Decode is the way back from [Encode] for the events that a daemon goes on from
// and that pages and papers are made of. Elapsed times count from the clock's
// epoch. Traces that the event names are added to traces, which must not be nil.
func Decode(e Event, c Clock, traces Traces) (peak.Event, error) {
	out, err := decode(e, c, traces)
	if err != nil && !errors.Is(err, ErrNotDecoded) {
		return nil, fmt.Errorf("decode %s: %w", e.Type, err)
	}
	return out, err
}

func decode(e Event, c Clock, traces Traces) (peak.Event, error) {
	at := e.Time.Sub(c.Epoch)
	switch e.Type {
	case peak.TypePullStarted:
		return read(e, func(p pullStarted) peak.Event {
			return peak.PullStarted{
				Pull: p.Pull, StartedAt: p.StartedAt.since(c), ZeroBefore: p.ZeroBefore.maybe(), Zero: peak.Force(p.Zero),
				Tare: peak.Force(p.Tare), Requirement: p.demand.requirement(), Job: p.Job, Label: p.Label,
			}
		})
	case peak.TypePullEnded:
		return read(e, func(p pullEnded) peak.Event { return p.event(at, c, traces) })
	case peak.TypeZeroSet:
		return read(e, func(o offsetSet) peak.Event {
			return peak.ZeroSet{At: at, Old: peak.Force(o.Old), New: peak.Force(o.New), By: o.By}
		})
	case peak.TypeTareSet:
		return read(e, func(o offsetSet) peak.Event {
			return peak.TareSet{At: at, Old: peak.Force(o.Old), New: peak.Force(o.New), By: o.By}
		})
	case peak.TypeJournalSealed:
		return read(e, func(j journalSealed) peak.Event {
			return peak.JournalSealed{At: at, Size: j.Size, Root: j.Root, Checkpoint: j.Checkpoint, Key: j.Key, Why: j.Why}
		})
	}
	return decodeJob(e, at, c, traces)
}

// decodeJob is decode for the events that belong to a job or a weighing.
func decodeJob(e Event, at time.Duration, c Clock, traces Traces) (peak.Event, error) {
	switch e.Type {
	case peak.TypeJobOpened:
		return read(e, func(j jobOpened) peak.Event { return peak.JobOpened{At: at, Job: j.job.peak(), By: j.By} })
	case peak.TypeJobCancelled:
		return read(e, func(j jobCancelled) peak.Event { return peak.JobCancelled{At: at, Job: j.Job, Why: j.Why, By: j.By} })
	case peak.TypePullRepeated:
		return read(e, func(p pullRepeated) peak.Event {
			return peak.PullRepeated{At: at, Job: p.Job, Planned: p.Planned - 1, Label: p.Label, Why: p.Why, By: p.By}
		})
	case peak.TypePullAssigned:
		return read(e, func(p pullAssigned) peak.Event {
			return peak.PullAssigned{At: at, Planned: p.Planned - 1, Label: p.Label, Ended: p.pullEnded.event(at, c, traces), By: p.By}
		})
	case peak.TypeTestEnded:
		return read(e, func(t testEnded) peak.Event { return t.event(at, c, traces) })
	case peak.TypeWeighingStarted:
		return read(e, func(w weighingStarted) peak.Event { return peak.WeighingStarted{At: at, Item: w.Item, By: w.By} })
	case peak.TypeWeighingStopped:
		return read(e, func(w weighingStopped) peak.Event { return peak.WeighingStopped{At: at, Lifts: w.Lifts, By: w.By} })
	case peak.TypeItemWeighed:
		return read(e, func(w itemWeighed) peak.Event {
			return peak.ItemWeighed{
				At: at, Lift: w.Lift, Item: w.Item, Gross: peak.Force(w.Gross), Tare: peak.Force(w.Tare), Net: peak.Force(w.Net),
				Spread: peak.Force(w.Spread), StableFrom: w.StableFrom.since(c), StableFor: time.Duration(w.StableFor),
			}
		})
	case peak.TypeItemInspected:
		return read(e, func(i itemInspected) peak.Event {
			return peak.ItemInspected{
				At: at, Job: i.Job, Item: i.Item, Inspector: i.Inspector, Accepted: i.Finding == "accepted",
				Examined: i.Examined, Notes: i.Notes, By: i.By,
			}
		})
	}
	return decodeRecord(e, at, c, traces)
}

// read decodes an event's data and makes the core's event of it.
func read[T any](e Event, make func(T) peak.Event) (peak.Event, error) {
	var data T
	if err := json.Unmarshal(e.Data, &data); err != nil {
		return nil, err
	}
	return make(data), nil
}

func (s stamp) since(c Clock) time.Duration { return time.Time(s).Sub(c.Epoch) }

func (s *stamp) maybe(c Clock) peak.Maybe[time.Duration] {
	if s == nil {
		return peak.Maybe[time.Duration]{}
	}
	return peak.Known(s.since(c))
}

func (n *newtons) maybe() peak.Maybe[peak.Force] {
	if n == nil {
		return peak.Maybe[peak.Force]{}
	}
	return peak.Known(peak.Force(*n))
}

func (d demand) requirement() peak.Maybe[peak.Requirement] {
	if d.Asked == nil {
		return peak.Maybe[peak.Requirement]{}
	}
	r := peak.Requirement{Asked: peak.Force(*d.Asked), Limit: d.Limit.maybe()}
	r.LimitGuard = peak.Force(d.LimitGuard)
	if r.Limit.Known {
		r.Limit.Value += r.LimitGuard
	}
	if d.Guard != nil {
		r.Guard = peak.Ratio(*d.Guard)
	}
	if d.Rule != r.Decision() {
		r.Rule = d.Rule
	}
	if d.Hold != nil {
		r.Hold = time.Duration(*d.Hold)
	}
	return peak.Known(r)
}

func (p pullEnded) event(at time.Duration, c Clock, traces Traces) peak.PullEnded {
	e := peak.PullEnded{
		Pull: p.Pull, StartedAt: p.StartedAt.since(c), EndedAt: p.EndedAt.maybe(c), DecidedAt: at, Peak: p.Peak.maybe(),
		PeakAt: p.PeakAt.maybe(c).Value, Highest: peak.Force(p.Highest), Requirement: p.demand.requirement(),
		Hold:       peak.Hold{For: time.Duration(p.HoldSeconds), From: p.HoldFrom.maybe(c), To: p.HoldTo.maybe(c)},
		LongestGap: time.Duration(p.LongestGap), ZeroBefore: p.ZeroBefore.maybe(), ZeroAfter: p.ZeroAfter.maybe(),
		Zero: peak.Force(p.Zero), Tare: peak.Force(p.Tare), Verdict: p.Verdict, Job: p.Job, Label: p.Label,
	}
	if len(p.Reasons) > 0 {
		e.Reasons = p.Reasons
	}
	e.Held, e.PressureRatio = p.Held.maybe(), p.PressureRatio.maybe()
	e.PeakBudget, e.HeldBudget = p.PeakBudget.maybe(), p.HeldBudget.maybe()
	if p.Update != nil {
		e.Update = peak.Known(time.Duration(*p.Update))
	}
	if p.PressureAtPeak != nil {
		e.PressureAtPeak = peak.Known(peak.Pressure(*p.PressureAtPeak))
	}
	if p.Trace != nil {
		traces[p.Pull] = *p.Trace
	}
	return e
}

func (j job) peak() peak.Job {
	out := peak.Job{
		ID: j.ID, Item: j.Item, Description: j.Description, Kind: j.Kind, WLL: j.WLL.maybe(), Legs: j.Legs, Owner: j.Owner,
		Operator: j.Operator, Rule: j.Rule, Source: j.Source, Ambient: j.Ambient,
	}
	if j.Length != nil {
		out.Length = peak.Known(peak.Length(*j.Length))
	}
	for _, p := range j.Planned {
		out.Planned = append(out.Planned, peak.Planned{Label: p.Label, Requirement: p.demand.requirement().Value})
	}
	return out
}

func (t testEnded) event(at time.Duration, c Clock, traces Traces) peak.TestEnded {
	e := peak.TestEnded{At: at, Job: t.job.peak(), Verdict: t.Verdict, By: t.By}
	if len(t.Reasons) > 0 {
		e.Reasons = t.Reasons
	}
	for _, a := range t.Attempts {
		e.Attempts = append(e.Attempts, peak.Attempt{Planned: a.Planned - 1, Ended: a.pullEnded.event(at, c, traces), Why: a.Why})
	}
	return e
}
