package search

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// pullData is what is read of an event about one pull.
type pullData struct {
	Pull      int64         `json:"pull"`
	StartedAt time.Time     `json:"started_at"`
	Job       string        `json:"job"`
	Planned   int           `json:"planned_pull"`
	Label     string        `json:"label"`
	Why       string        `json:"repeated_because"`
	Required  *newtons      `json:"required_newtons"`
	Peak      *newtons      `json:"peak_newtons"`
	Hold      seconds       `json:"hold_seconds"`
	Verdict   peak.Verdict  `json:"verdict"`
	Reasons   []peak.Reason `json:"reasons"`
}

// testData is what is read of a thimbled.test.ended.
type testData struct {
	Job         string        `json:"job"`
	Item        string        `json:"item"`
	Description string        `json:"description"`
	Kind        string        `json:"kind"`
	WLL         *newtons      `json:"wll_newtons"`
	Owner       string        `json:"owner"`
	Operator    string        `json:"operator"`
	Rule        string        `json:"rule"`
	Source      string        `json:"requirement_source"`
	Planned     []demand      `json:"planned"`
	Verdict     peak.Verdict  `json:"verdict"`
	Reasons     []peak.Reason `json:"reasons"`
	Attempts    []pullData    `json:"attempts"`
}

// demand is what was required of one planned pull.
type demand struct {
	Required *newtons `json:"required_newtons"`
	Limit    *newtons `json:"limit_newtons"`
	Hold     *seconds `json:"required_hold_seconds"`
}

// inspectionData is what is read of a thimbled.item.inspected.
type inspectionData struct {
	Job       string `json:"job"`
	Inspector string `json:"inspector"`
	Finding   string `json:"finding"`
}

var (
	errNoPull = errors.New("it names no pull")
	errNoJob  = errors.New("it names no job")
)

// read reads what is needed of a record's data. A type that nothing is needed of
// gives nil.
func read(r publish.Record) (any, error) {
	switch r.Type {
	case peak.TypePullStarted, peak.TypePullEnded, peak.TypePullAssigned:
		var p pullData
		if err := json.Unmarshal(r.Data, &p); err != nil {
			return nil, err
		}
		return p, p.check(r.Type)
	case peak.TypeTestEnded:
		var t testData
		if err := json.Unmarshal(r.Data, &t); err != nil {
			return nil, err
		}
		return t, t.check()
	case peak.TypeItemInspected:
		var i inspectionData
		if err := json.Unmarshal(r.Data, &i); err != nil {
			return nil, err
		}
		return i, i.check()
	}
	return nil, nil
}

func (p pullData) check(kind string) error {
	switch {
	case p.Pull <= 0:
		return errNoPull
	case kind == peak.TypePullAssigned && p.Job == "":
		return errNoJob
	}
	return nil
}

func (t testData) check() error {
	switch {
	case t.Job == "":
		return errNoJob
	case t.Verdict == "":
		return errors.New("it has no verdict")
	}
	for _, a := range t.Attempts {
		if a.Pull <= 0 {
			return errNoPull
		}
	}
	return nil
}

func (i inspectionData) check() error {
	switch {
	case i.Job == "":
		return errNoJob
	case i.Finding != Accepted && i.Finding != Rejected:
		return fmt.Errorf("its finding is %q, neither %s nor %s", i.Finding, Accepted, Rejected)
	}
	return nil
}

// strictest puts the strictest of the planned pulls into a test.
func (t *Test) strictest(planned []demand) {
	t.Planned = len(planned)
	for _, d := range planned {
		if r := d.Required.maybe(); r.Known && (!t.Required.Known || r.Value > t.Required.Value) {
			t.Required = r
		}
		if l := d.Limit.maybe(); l.Known && (!t.Limit.Known || l.Value < t.Limit.Value) {
			t.Limit = l
		}
		if d.Hold != nil {
			t.RequiredHold = max(t.RequiredHold, time.Duration(*d.Hold))
		}
	}
}
