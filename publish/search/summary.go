package search

import (
	"bytes"
	"encoding/json"
	"slices"
	"time"

	"thimbled/peak"
)

// Test is the summary of one ended test. Its slices and its inspection are shared
// and must not be changed.
type Test struct {
	// Record is the number of its thimbled.test.ended, which has the whole result.
	Record  uint64
	EndedAt time.Time // UTC

	Job, Item, Description, Kind, Owner, Operator string

	// Rule is the id of the rule that the requirement was made by, if any, and
	// Source says where the requirement comes from.
	Rule, Source string
	WLL          peak.Maybe[peak.Force]
	Planned      int // how many pulls were planned
	// Required, Limit and RequiredHold are the strictest of the planned pulls: the
	// highest required force, the lowest limit and the longest hold.
	Required, Limit peak.Maybe[peak.Force]
	RequiredHold    time.Duration

	Verdict peak.Verdict
	Reasons []peak.Reason
	Pulls   []Pull // every attempt, in the order in which they were made

	// Inspection is the last one of the job's item after the test; nil when there
	// was none. Inspections counts them all.
	Inspection  *Inspection
	Inspections int

	key  string // the item's tag, folded
	line string // the SHA-256 of its record's line, if it will be asked for
}

// Pull is the summary of one ended pull, judged by its requirement if it had one.
type Pull struct {
	Number int64
	// Started is the number of its thimbled.pull.started, by which its trace is
	// named; 0 when no such record was seen. Record is that of its
	// thimbled.pull.ended.
	Started, Record uint64
	StartedAt       time.Time // UTC
	// Job is empty while the pull is assigned to none.
	Job     string
	Planned int    // which planned pull it counts for, from 1; 0 if not known
	Label   string // of that planned pull
	// Why is the reason given for repeating it; empty for a first attempt.
	Why      string
	Required peak.Maybe[peak.Force]
	Peak     peak.Maybe[peak.Force]
	Hold     time.Duration
	Verdict  peak.Verdict
	Reasons  []peak.Reason
}

// The findings of an inspection.
const (
	Accepted = "accepted"
	Rejected = "rejected"
)

// Inspection is what a person found at an item after its test.
type Inspection struct {
	Record    uint64    // of its thimbled.item.inspected
	At        time.Time // UTC
	Inspector string
	Finding   string // Accepted or Rejected
}

// counts says whether the test is judged by an attempt: it is the last one at its
// planned pull.
func (t *Test) counts(attempt int) bool {
	return !slices.ContainsFunc(t.Pulls[attempt+1:], func(p Pull) bool { return p.Planned == t.Pulls[attempt].Planned })
}

// LowestPeak is the lowest peak among the last attempts at each planned pull;
// unknown when none has one.
func (t *Test) LowestPeak() (lowest peak.Maybe[peak.Force]) {
	for i, p := range t.Pulls {
		if p.Peak.Known && t.counts(i) && (!lowest.Known || p.Peak.Value < lowest.Value) {
			lowest = p.Peak
		}
	}
	return lowest
}

// HighestPeak is the highest peak of all attempts: the most that the item has
// seen; unknown when none has one.
func (t *Test) HighestPeak() (highest peak.Maybe[peak.Force]) {
	for _, p := range t.Pulls {
		if p.Peak.Known && (!highest.Known || p.Peak.Value > highest.Value) {
			highest = p.Peak
		}
	}
	return highest
}

// ShortestHold is the shortest hold among the last attempts at each planned pull;
// unknown when no pull was made.
func (t *Test) ShortestHold() (shortest peak.Maybe[time.Duration]) {
	for i, p := range t.Pulls {
		if t.counts(i) && (!shortest.Known || p.Hold < shortest.Value) {
			shortest = peak.Known(p.Hold)
		}
	}
	return shortest
}

// MarshalJSON writes the summary with the keys and units of the events.
func (t Test) MarshalJSON() ([]byte, error) {
	return marshal(struct {
		Record       uint64        `json:"record"`
		EndedAt      stamp         `json:"ended_at"`
		Job          string        `json:"job"`
		Item         string        `json:"item"`
		Description  string        `json:"description"`
		Kind         string        `json:"kind"`
		WLL          *newtons      `json:"wll_newtons"`
		Owner        string        `json:"owner"`
		Operator     string        `json:"operator"`
		Rule         string        `json:"rule"`
		Source       string        `json:"requirement_source"`
		Planned      int           `json:"planned_pulls"`
		Required     *newtons      `json:"required_newtons"`
		Limit        *newtons      `json:"limit_newtons"`
		RequiredHold seconds       `json:"required_hold_seconds"`
		Verdict      peak.Verdict  `json:"verdict"`
		Reasons      []peak.Reason `json:"reasons"`
		Pulls        []Pull        `json:"pulls"`
		Inspection   *Inspection   `json:"inspection"`
		Inspections  int           `json:"inspections"`
	}{
		t.Record, stamp(t.EndedAt), t.Job, t.Item, t.Description, t.Kind, maybeNewtons(t.WLL), t.Owner, t.Operator, t.Rule, t.Source,
		t.Planned, maybeNewtons(t.Required), maybeNewtons(t.Limit), seconds(t.RequiredHold), t.Verdict, listed(t.Reasons),
		listed(t.Pulls), t.Inspection, t.Inspections,
	})
}

// MarshalJSON writes the summary with the keys and units of the events.
func (p Pull) MarshalJSON() ([]byte, error) {
	return marshal(struct {
		Number    int64         `json:"pull"`
		Started   uint64        `json:"started_record"`
		Record    uint64        `json:"record"`
		StartedAt stamp         `json:"started_at"`
		Job       string        `json:"job"`
		Planned   int           `json:"planned_pull"`
		Label     string        `json:"label"`
		Why       string        `json:"repeated_because"`
		Required  *newtons      `json:"required_newtons"`
		Peak      *newtons      `json:"peak_newtons"`
		Hold      seconds       `json:"hold_seconds"`
		Verdict   peak.Verdict  `json:"verdict"`
		Reasons   []peak.Reason `json:"reasons"`
	}{
		p.Number, p.Started, p.Record, stamp(p.StartedAt), p.Job, p.Planned, p.Label, p.Why, maybeNewtons(p.Required),
		maybeNewtons(p.Peak), seconds(p.Hold), p.Verdict, listed(p.Reasons),
	})
}

// MarshalJSON writes the finding with the keys of the events.
func (i Inspection) MarshalJSON() ([]byte, error) {
	return marshal(struct {
		Record    uint64 `json:"record"`
		At        stamp  `json:"inspected_at"`
		Inspector string `json:"inspector"`
		Finding   string `json:"finding"`
	}{i.Record, stamp(i.At), i.Inspector, i.Finding})
}

// marshal encodes v with HTML's special characters as they are, as events have
// them.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// listed makes an empty list of none, never null.
func listed[T any](l []T) []T {
	if l == nil {
		return []T{}
	}
	return l
}
