package publish

import (
	"strconv"
	"time"

	"thimbled/peak"
)

// newtons writes a force as an exact decimal number of newtons.
type newtons peak.Force

func (n newtons) MarshalJSON() ([]byte, error) { return peak.Force(n).AppendNewtons(nil), nil }

// seconds writes a duration as an exact decimal number of seconds.
type seconds time.Duration

func (s seconds) MarshalJSON() ([]byte, error) {
	return peak.AppendSeconds(nil, time.Duration(s)), nil
}

// percent writes a ratio as an exact decimal number of per cent.
type percent peak.Ratio

func (p percent) MarshalJSON() ([]byte, error) { return peak.Ratio(p).AppendPercent(nil), nil }

// stamp writes a wall-clock time as RFC 3339 with nanoseconds.
type stamp time.Time

func (s stamp) MarshalJSON() ([]byte, error) {
	return strconv.AppendQuote(nil, Stamp(time.Time(s))), nil
}

func maybeNewtons(m peak.Maybe[peak.Force]) *newtons {
	if !m.Known {
		return nil
	}
	n := newtons(m.Value)
	return &n
}

func maybePascals(m peak.Maybe[peak.Pressure]) *int64 {
	if !m.Known {
		return nil
	}
	p := int64(m.Value)
	return &p
}

func maybeStamp(c Clock, m peak.Maybe[time.Duration]) *stamp {
	if !m.Known {
		return nil
	}
	s := stamp(c.Wall(m.Value))
	return &s
}

// demand is a requirement as it stands in an event; its parts are null when
// nothing was required.
type demand struct {
	Required *newtons `json:"required_newtons"`
	Asked    *newtons `json:"asked_newtons"`
	Guard    *percent `json:"guard_percent"`
	Limit    *newtons `json:"limit_newtons"`
	Hold     *seconds `json:"required_hold_seconds"`
}

func demandOf(m peak.Maybe[peak.Requirement]) demand {
	if !m.Known {
		return demand{}
	}
	r := m.Value
	required, asked, guard, hold := newtons(r.Required()), newtons(r.Asked), percent(r.Guard), seconds(r.Hold)
	return demand{Required: &required, Asked: &asked, Guard: &guard, Limit: maybeNewtons(r.Limit), Hold: &hold}
}

type pullStarted struct {
	Pull       int64    `json:"pull"`
	StartedAt  stamp    `json:"started_at"`
	ZeroBefore *newtons `json:"zero_before_newtons"`
	Zero       newtons  `json:"zero_newtons"`
	Tare       newtons  `json:"tare_newtons"`
	demand
	Job string `json:"job,omitempty"`
}

type pullEnded struct {
	Pull      int64    `json:"pull"`
	StartedAt stamp    `json:"started_at"`
	EndedAt   *stamp   `json:"ended_at"`
	Peak      *newtons `json:"peak_newtons"`
	PeakAt    *stamp   `json:"peak_at"`
	Highest   newtons  `json:"highest_newtons"`
	demand
	HoldSeconds    seconds       `json:"hold_seconds"`
	HoldFrom       *stamp        `json:"hold_from_at"`
	HoldTo         *stamp        `json:"hold_to_at"`
	LongestGap     seconds       `json:"longest_gap_seconds"`
	PressureAtPeak *int64        `json:"pressure_at_peak_pascals"`
	ZeroBefore     *newtons      `json:"zero_before_newtons"`
	ZeroAfter      *newtons      `json:"zero_after_newtons"`
	ZeroShift      *newtons      `json:"zero_shift_newtons"`
	Zero           newtons       `json:"zero_newtons"`
	Tare           newtons       `json:"tare_newtons"`
	Verdict        peak.Verdict  `json:"verdict"`
	Reasons        []peak.Reason `json:"reasons"`
	Job            string        `json:"job,omitempty"`
	Trace          *Trace        `json:"trace"`
}

type holdReached struct {
	Pull      int64   `json:"pull"`
	ReachedAt stamp   `json:"reached_at"`
	Hold      seconds `json:"hold_seconds"`
}

type offsetSet struct {
	At  stamp   `json:"set_at"`
	Old newtons `json:"old_newtons"`
	New newtons `json:"new_newtons"`
	By  string  `json:"by"`
}

type job struct {
	ID          string `json:"job"`
	Item        string `json:"item"`
	Description string `json:"description"`
	demand
	Planned  int    `json:"planned_pulls"`
	Operator string `json:"operator"`
}

type jobOpened struct {
	job
	By string `json:"by"`
}

type testEnded struct {
	job
	Verdict peak.Verdict  `json:"verdict"`
	Reasons []peak.Reason `json:"reasons"`
	Pulls   []int64       `json:"pulls"`
}

type instrumentLost struct {
	Instrument string `json:"instrument"`
	Why        string `json:"why"`
	Since      stamp  `json:"since_at"`
}

type instrumentFound struct {
	Instrument string `json:"instrument"`
	Since      stamp  `json:"lost_since_at"`
}

type daemonStarted struct {
	Version      string `json:"version"`
	ConfigDigest string `json:"config_digest"`
	CleanBefore  bool   `json:"clean_before"`
}

type daemonStopped struct {
	Clean bool   `json:"clean"`
	Why   string `json:"why"`
}

type commandRefused struct {
	Command string `json:"command"`
	Why     string `json:"why"`
}

func jobOf(j peak.Job) job {
	return job{
		ID: j.ID, Item: j.Item, Description: j.Description,
		demand: demandOf(peak.Known(j.Requirement)), Planned: j.Planned, Operator: j.Operator,
	}
}

func reasonsOf(r []peak.Reason) []peak.Reason {
	if r == nil {
		return []peak.Reason{} // an empty list, never null
	}
	return r
}

// payload returns the data of an event as a value that encodes to it.
func payload(e peak.Event, c Clock, trace *Trace) any {
	switch e := e.(type) {
	case peak.PullStarted:
		return pullStarted{
			Pull: e.Pull, StartedAt: stamp(c.Wall(e.StartedAt)), ZeroBefore: maybeNewtons(e.ZeroBefore),
			Zero: newtons(e.Zero), Tare: newtons(e.Tare), demand: demandOf(e.Requirement), Job: e.Job,
		}
	case peak.PullEnded:
		return pullEndedOf(e, c, trace)
	case peak.HoldReached:
		return holdReached{Pull: e.Pull, ReachedAt: stamp(c.Wall(e.ReachedAt)), Hold: seconds(e.Hold)}
	case peak.ZeroSet:
		return offsetSet{At: stamp(c.Wall(e.At)), Old: newtons(e.Old), New: newtons(e.New), By: e.By}
	case peak.TareSet:
		return offsetSet{At: stamp(c.Wall(e.At)), Old: newtons(e.Old), New: newtons(e.New), By: e.By}
	case peak.JobOpened:
		return jobOpened{job: jobOf(e.Job), By: e.By}
	case peak.TestEnded:
		return testEnded{job: jobOf(e.Job), Verdict: e.Verdict, Reasons: reasonsOf(e.Reasons), Pulls: e.Pulls}
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
	}
	panic("no encoding for " + e.Type())
}

func pullEndedOf(e peak.PullEnded, c Clock, trace *Trace) pullEnded {
	p := pullEnded{
		Pull: e.Pull, StartedAt: stamp(c.Wall(e.StartedAt)), EndedAt: maybeStamp(c, e.EndedAt),
		Peak: maybeNewtons(e.Peak), Highest: newtons(e.Highest), demand: demandOf(e.Requirement),
		HoldSeconds: seconds(e.Hold.For), HoldFrom: maybeStamp(c, e.Hold.From), HoldTo: maybeStamp(c, e.Hold.To),
		LongestGap: seconds(e.LongestGap), PressureAtPeak: maybePascals(e.PressureAtPeak),
		ZeroBefore: maybeNewtons(e.ZeroBefore), ZeroAfter: maybeNewtons(e.ZeroAfter), ZeroShift: maybeNewtons(e.ZeroShift()),
		Zero: newtons(e.Zero), Tare: newtons(e.Tare), Verdict: e.Verdict, Reasons: reasonsOf(e.Reasons), Job: e.Job, Trace: trace,
	}
	if e.Peak.Known {
		p.PeakAt = maybeStamp(c, peak.Known(e.PeakAt))
	}
	return p
}
