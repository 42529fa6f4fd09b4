package publish

import (
	"context"
	"encoding/json"
	"time"

	"thimbled/peak"
)

// Records is the journal as its readers see it.
type Records interface {
	// Next returns the record after the given number; it waits until there is
	// one. After 0 it returns the first.
	Next(ctx context.Context, after uint64) (Record, error)
	// Last returns the number of the last durable record, 0 if there is none.
	Last() uint64
}

// Instrument is what is known of one instrument.
type Instrument struct {
	Name string
	// LastGood is the time of the last good reading since the stream began;
	// unknown before the first.
	LastGood peak.Maybe[time.Duration]
	Quality  peak.Quality // of the last reading
	Lost     bool
	Why      string // why the last reading was bad; empty if it was good
}

// Snapshot is everything that the outside may know at one moment. It is never
// changed once made.
type Snapshot struct {
	Bench       string
	Version     string
	Clock       Clock
	State       peak.State
	Instruments []Instrument
	// Checks is the readiness list.
	Checks []Check
	// JournalRecords is the number of the last durable record.
	JournalRecords uint64
	// JournalFailed says why no record can be written; empty while it can.
	JournalFailed string
	// Changes is how many changes of parameters that touch a figure are on record.
	Changes int64
}

// Span is the range of net force since the message before.
type Span struct {
	Min, Max peak.Maybe[peak.Force]
}

// reading is a live reading as it is published.
type reading struct {
	TakenAt  stamp      `json:"taken_at"`
	Age      seconds    `json:"age_seconds"`
	Quality  string     `json:"quality"`
	State    peak.Phase `json:"state"`
	Force    *newtons   `json:"force_newtons"`
	Min      *newtons   `json:"min_newtons"`
	Max      *newtons   `json:"max_newtons"`
	Pressure *int64     `json:"pressure_pascals"`
	Pull     int64      `json:"pull"`
	Peak     *newtons   `json:"peak_newtons"`
	Required *newtons   `json:"required_newtons"`
	Limit    *newtons   `json:"limit_newtons"`
	Hold     seconds    `json:"hold_seconds"`
	Alarm    *alarm     `json:"alarm"` // null while there is none
}

// alarm is what a person must know at once.
type alarm struct {
	Alarm    peak.Alarm `json:"alarm"`
	Why      string     `json:"why"`
	RaisedAt stamp      `json:"raised_at"`
	Since    stamp      `json:"since_at"` // the last moment at which all was well
}

func alarmOf(m peak.Maybe[peak.AlarmRaised], c Clock) *alarm {
	if !m.Known {
		return nil
	}
	return &alarm{Alarm: m.Value.Alarm, Why: m.Value.Why, RaisedAt: stamp(c.Wall(m.Value.At)), Since: stamp(c.Wall(m.Value.Since))}
}

// EncodeReading puts the live reading of a snapshot into the encoding of the
// contract. now is the elapsed time at which it is sent: the age counts from
// the moment the reading was taken.
func EncodeReading(s *Snapshot, span Span, now time.Duration) json.RawMessage {
	return mustMarshal(readingOf(s, span, now))
}

func readingOf(s *Snapshot, span Span, now time.Duration) reading {
	d := demandOf(s.State.Requirement)
	return reading{
		TakenAt: stamp(s.Clock.Wall(s.State.TakenAt)), Age: seconds(max(0, now-s.State.TakenAt)),
		Quality: s.State.Quality.String(), State: s.State.Phase,
		Force: maybeNewtons(s.State.Net), Min: maybeNewtons(span.Min), Max: maybeNewtons(span.Max),
		Pressure: maybePascals(s.State.Pressure), Pull: s.State.Pull, Peak: maybeNewtons(s.State.Peak),
		Required: d.Required, Limit: d.Limit, Hold: seconds(s.State.Hold),
		Alarm: alarmOf(s.State.Alarm, s.Clock),
	}
}

// state is the last known state as it is published.
type state struct {
	reading
	Bench          string            `json:"bench"`
	Version        string            `json:"version"`
	Zero           newtons           `json:"zero_newtons"`
	Tare           newtons           `json:"tare_newtons"`
	Stable         bool              `json:"stable"`
	Tracking       bool              `json:"zero_tracking"`
	InPull         bool              `json:"in_pull"`
	Verdict        peak.Verdict      `json:"verdict"`
	Job            *openTest         `json:"open_job"`
	Decision       peak.DecisionRule `json:"decision_rule"` // empty when nothing is required
	Instruments    []instrumentState `json:"instruments"`
	Weighing       *weighing         `json:"weighing"`
	Session        *session          `json:"verification_session"`
	Verified       []verification    `json:"verifications"`
	Changes        int64             `json:"changes_so_far"` // of parameters that touch a figure
	Ready          bool              `json:"ready"`
	Checks         []Check           `json:"readiness"`
	JournalRecords uint64            `json:"journal_records"`
	JournalFailed  string            `json:"journal_failed"`
}

type instrumentState struct {
	Name    string   `json:"instrument"`
	Good    bool     `json:"good"`
	Lost    bool     `json:"lost"`
	Why     string   `json:"why"`
	LastAge *seconds `json:"last_good_age_seconds"`
}

// EncodeState puts the whole snapshot into the encoding of the contract, as it
// is sent on bench.<id>.state and in answer to the status request.
func EncodeState(s *Snapshot, now time.Duration) json.RawMessage {
	return mustMarshal(state{
		reading: readingOf(s, Span{Min: s.State.Net, Max: s.State.Net}, now),
		Bench:   s.Bench, Version: s.Version, Zero: newtons(s.State.Zero), Tare: newtons(s.State.Tare),
		Stable: s.State.Stable, Tracking: s.State.Tracking, InPull: s.State.InPull, Verdict: s.State.Verdict,
		Job: openJob(s.State.Job), Instruments: instrumentStates(s, now),
		Decision: demandOf(s.State.Requirement).Rule, Session: sessionOf(s.State.Session, s.Clock),
		Verified: verificationsOf(s.State.Verified, s.Clock), Changes: s.Changes, Weighing: weighingOf(s.State.Weighing), Ready: Ready(s.Checks), Checks: append([]Check{}, s.Checks...),
		JournalRecords: s.JournalRecords, JournalFailed: s.JournalFailed,
	})
}

// weighing is the weighing that is on.
type weighing struct {
	Item    string   `json:"item"`
	Lifts   int64    `json:"lifts"`
	Lifted  bool     `json:"lifted"`
	Settled *newtons `json:"settled_newtons"` // net; null until the item on the hook has settled
}

func weighingOf(m peak.Maybe[peak.Weighing]) *weighing {
	if !m.Known {
		return nil
	}
	w := m.Value
	return &weighing{Item: w.Item, Lifts: w.Lifts, Lifted: w.Lifted, Settled: maybeNewtons(w.Settled)}
}

// openTest is the job in hand.
type openTest struct {
	job
	Next    *int          `json:"next_planned_pull"` // from 1; null when a person must decide
	Made    []attemptMade `json:"made"`
	Verdict peak.Verdict  `json:"verdict_so_far"`
}

type attemptMade struct {
	Planned int          `json:"planned_pull"` // from 1
	Pull    int64        `json:"pull"`
	Verdict peak.Verdict `json:"verdict"`
}

func openJob(m peak.Maybe[peak.OpenTest]) *openTest {
	if !m.Known {
		return nil
	}
	o := &openTest{job: jobOf(m.Value.Job), Made: []attemptMade{}, Verdict: m.Value.Verdict}
	if m.Value.Next.Known {
		next := m.Value.Next.Value + 1
		o.Next = &next
	}
	for _, a := range m.Value.Made {
		o.Made = append(o.Made, attemptMade{Planned: a.Planned + 1, Pull: a.Ended.Pull, Verdict: a.Ended.Verdict})
	}
	return o
}

// EncodeOpenJob puts the job in hand into the encoding of the contract; null
// when no job is open.
func EncodeOpenJob(s *Snapshot) json.RawMessage { return mustMarshal(openJob(s.State.Job)) }

func instrumentStates(s *Snapshot, now time.Duration) []instrumentState {
	out := make([]instrumentState, 0, len(s.Instruments))
	for _, i := range s.Instruments {
		is := instrumentState{Name: i.Name, Good: i.Quality == peak.Good && i.LastGood.Known, Lost: i.Lost, Why: i.Why}
		if i.LastGood.Known {
			age := seconds(max(0, now-i.LastGood.Value))
			is.LastAge = &age
		}
		out = append(out, is)
	}
	return out
}

// session is the verification in hand.
type session struct {
	Range       string          `json:"range"`
	Standard    string          `json:"standard"`
	Uncertainty percent         `json:"standard_uncertainty_percent"` // expanded, k = 2
	By          string          `json:"by"`
	Points      []verifiedPoint `json:"points"`
}

func sessionOf(m peak.Maybe[peak.Session], c Clock) *session {
	if !m.Known {
		return nil
	}
	s := m.Value
	out := &session{
		Range: s.Range, Standard: s.Standard.Name, Uncertainty: percent(s.Standard.Uncertainty), By: s.By, Points: []verifiedPoint{},
	}
	for _, p := range s.Points {
		out.Points = append(out.Points, pointOf(p, c))
	}
	return out
}

// EncodeSession puts the verification in hand into the encoding of the contract;
// null when there is none.
func EncodeSession(s *Snapshot) json.RawMessage {
	return mustMarshal(sessionOf(s.State.Session, s.Clock))
}

func verificationsOf(all []peak.Verification, c Clock) []verification {
	out := []verification{}
	for _, v := range all {
		out = append(out, verificationOf(v, c))
	}
	return out
}
