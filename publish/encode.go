package publish

import (
	"time"

	"thimbled/peak"
)

func jobOf(j peak.Job) job {
	out := job{
		ID: j.ID, Item: j.Item, Description: j.Description, Kind: j.Kind, WLL: maybeNewtons(j.WLL), Legs: j.Legs,
		Owner: j.Owner, Operator: j.Operator, Rule: j.Rule, Source: j.Source, Ambient: j.Ambient, Planned: []planned{},
	}
	if j.Length.Known {
		m := metres(j.Length.Value)
		out.Length = &m
	}
	for _, p := range j.Planned {
		out.Planned = append(out.Planned, planned{Label: p.Label, demand: demandOf(peak.Known(p.Requirement))})
	}
	return out
}

func reasonsOf(r []peak.Reason) []peak.Reason {
	if r == nil {
		return []peak.Reason{} // an empty list, never null
	}
	return r
}

// payload returns the data of an event as a value that encodes to it.
func payload(e peak.Event, c Clock, traces Traces) any {
	switch e := e.(type) {
	case peak.PullStarted:
		return pullStarted{
			Pull: e.Pull, StartedAt: stamp(c.Wall(e.StartedAt)), ZeroBefore: maybeNewtons(e.ZeroBefore),
			Zero: newtons(e.Zero), Tare: newtons(e.Tare), demand: demandOf(e.Requirement), Job: e.Job, Label: e.Label,
		}
	case peak.PullEnded:
		return pullEndedOf(e, c, traces)
	case peak.HoldReached:
		return holdReached{Pull: e.Pull, ReachedAt: stamp(c.Wall(e.ReachedAt)), Hold: seconds(e.Hold)}
	case peak.ZeroSet:
		return offsetSet{At: stamp(c.Wall(e.At)), Old: newtons(e.Old), New: newtons(e.New), By: e.By}
	case peak.TareSet:
		return offsetSet{At: stamp(c.Wall(e.At)), Old: newtons(e.Old), New: newtons(e.New), By: e.By}
	case peak.InstrumentLost:
		return instrumentLost{Instrument: e.Instrument, Why: e.Why, Since: stamp(c.Wall(e.Since))}
	case peak.InstrumentFound:
		return instrumentFound{Instrument: e.Instrument, Since: stamp(c.Wall(e.Since))}
	case peak.DaemonStarted:
		return daemonStarted{Version: e.Version, ConfigDigest: e.ConfigDigest, CleanBefore: e.CleanBefore}
	case peak.DaemonStopped:
		return daemonStopped{Clean: e.Clean, Why: e.Why}
	case peak.CommandRefused:
		return commandRefused{Command: e.Command, Why: e.Why}
	case peak.JournalSealed:
		return journalSealed{Size: e.Size, Root: e.Root, Checkpoint: e.Checkpoint, Key: e.Key, Why: e.Why}
	}
	if data := journalPayload(e); data != nil {
		return data
	}
	return jobPayload(e, c, traces)
}

// jobPayload is payload for the events that belong to a job or a weighing.
func jobPayload(e peak.Event, c Clock, traces Traces) any {
	switch e := e.(type) {
	case peak.JobOpened:
		return jobOpened{job: jobOf(e.Job), By: e.By}
	case peak.JobCancelled:
		return jobCancelled{Job: e.Job, Why: e.Why, By: e.By}
	case peak.PullRepeated:
		return pullRepeated{Job: e.Job, Planned: e.Planned + 1, Label: e.Label, Why: e.Why, By: e.By}
	case peak.PullAssigned:
		ended := pullEndedOf(e.Ended, c, traces)
		ended.Label = e.Label
		return pullAssigned{pullEnded: ended, Planned: e.Planned + 1, By: e.By}
	case peak.TestEnded:
		return testEndedOf(e, c, traces)
	case peak.WeighingStarted:
		return weighingStarted{Item: e.Item, By: e.By}
	case peak.WeighingStopped:
		return weighingStopped{Lifts: e.Lifts, By: e.By}
	case peak.ItemWeighed:
		return itemWeighed{
			Lift: e.Lift, Item: e.Item, Gross: newtons(e.Gross), Tare: newtons(e.Tare), Net: newtons(e.Net),
			Spread: newtons(e.Spread), StableFrom: stamp(c.Wall(e.StableFrom)), StableFor: seconds(e.StableFor),
		}
	case peak.ItemInspected:
		finding := "rejected"
		if e.Accepted {
			finding = "accepted"
		}
		return itemInspected{
			Job: e.Job, Item: e.Item, Inspector: e.Inspector, Finding: finding, Examined: e.Examined, Notes: e.Notes, By: e.By,
		}
	}
	return recordPayload(e, c, traces)
}

func testEndedOf(e peak.TestEnded, c Clock, traces Traces) testEnded {
	out := testEnded{job: jobOf(e.Job), Verdict: e.Verdict, Reasons: reasonsOf(e.Reasons), Pulls: []int64{}, Attempts: []attempt{}, By: e.By}
	for _, a := range e.Attempts {
		out.Pulls = append(out.Pulls, a.Ended.Pull)
		out.Attempts = append(out.Attempts, attempt{pullEnded: pullEndedOf(a.Ended, c, traces), Planned: a.Planned + 1, Why: a.Why})
	}
	return out
}

func pullEndedOf(e peak.PullEnded, c Clock, traces Traces) pullEnded {
	p := pullEnded{
		Pull: e.Pull, StartedAt: stamp(c.Wall(e.StartedAt)), EndedAt: maybeStamp(c, e.EndedAt),
		Peak: maybeNewtons(e.Peak), Highest: newtons(e.Highest), demand: demandOf(e.Requirement),
		HoldSeconds: seconds(e.Hold.For), HoldFrom: maybeStamp(c, e.Hold.From), HoldTo: maybeStamp(c, e.Hold.To),
		LongestGap: seconds(e.LongestGap), PressureAtPeak: maybePascals(e.PressureAtPeak), PressureRatio: maybePercent(e.PressureRatio),
		ZeroBefore: maybeNewtons(e.ZeroBefore), ZeroAfter: maybeNewtons(e.ZeroAfter), ZeroShift: maybeNewtons(e.ZeroShift()),
		Zero: newtons(e.Zero), Tare: newtons(e.Tare), Verdict: e.Verdict, Reasons: reasonsOf(e.Reasons), Job: e.Job, Label: e.Label,
	}
	if e.Peak.Known {
		p.PeakAt = maybeStamp(c, peak.Known[time.Duration](e.PeakAt))
	}
	p.Held = maybeNewtons(e.Held)
	p.PeakBudget, p.HeldBudget = budgetOf(e.PeakBudget), budgetOf(e.HeldBudget)
	if e.Update.Known {
		every := seconds(e.Update.Value)
		p.Update = &every
	}
	if trace, ok := traces[e.Pull]; ok {
		p.Trace = &trace
	}
	return p
}
