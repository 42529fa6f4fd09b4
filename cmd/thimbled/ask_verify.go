package main

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/nats"
)

// verifyStart is the body of a request to begin a verification.
type verifyStart struct {
	By          string `json:"by"`
	Range       string `json:"range,omitempty"`
	Standard    string `json:"standard"`             // kind, number and report of the reference
	Uncertainty string `json:"standard_uncertainty"` // expanded, k = 2, such as "0.12 %"
}

// verifyPoint is the body of a request to take a point; 0 N is the zero return.
type verifyPoint struct {
	By      string `json:"by"`
	Applied string `json:"applied"`
}

// verifyFinish is the body of a request to judge the points taken.
type verifyFinish struct {
	By     string `json:"by"`
	Months int    `json:"months,omitempty"` // for how long it counts
}

// verifyRecord is the body of a request to record a verification that was made
// elsewhere.
type verifyRecord struct {
	verifyStart
	CSV    string `json:"csv"` // run,applied_N,indicated_N
	On     string `json:"on"`  // the day it was made
	Months int    `json:"months,omitempty"`
}

// verifyAnswers are the requests about verifications.
func (d *daemon) verifyAnswers() map[string]nats.Handler {
	return map[string]nats.Handler{
		"verify.start": d.askVerifyStart,
		"verify.point": d.askVerifyPoint,
		"verify.drop": d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.DropPoint{At: at, By: r.By, Why: r.Why}
		}),
		"verify.cancel": d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.CancelVerification{At: at, By: r.By, Why: r.Why}
		}),
		"verify.show":   d.askVerifyShow,
		"verify.finish": d.askVerifyFinish,
		"verify.record": d.askVerifyRecord,
	}
}

func (d *daemon) askVerifyStart(ctx context.Context, body []byte) ([]byte, error) {
	var r verifyStart
	if err := unmarshal(body, &r, `{"by":"A. Name","standard":"reference cell RC-7","standard_uncertainty":"0.12 %"}`); err != nil {
		return nil, err
	}
	standard, err := r.read()
	if err != nil {
		return nil, badRequest(err)
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input {
		return peak.StartVerification{At: at, By: r.By, Range: r.Range, Standard: standard}
	})
}

// read checks who asks and returns the standard.
func (r verifyStart) read() (peak.Standard, error) {
	if r.By == "" {
		return peak.Standard{}, errNobody
	}
	u, err := peak.ParseRatio(r.Uncertainty)
	if err != nil {
		return peak.Standard{}, fmt.Errorf("standard_uncertainty: %w", err)
	}
	return peak.Standard{Name: r.Standard, Uncertainty: u}, nil
}

func (d *daemon) askVerifyPoint(ctx context.Context, body []byte) ([]byte, error) {
	var r verifyPoint
	if err := unmarshal(body, &r, `{"by":"A. Name","applied":"100 kN"}`); err != nil {
		return nil, err
	}
	if r.By == "" {
		return nil, badRequest(errNobody)
	}
	applied, err := peak.ParseForce(r.Applied)
	if err != nil {
		return nil, badRequest(fmt.Errorf("applied: %w", err))
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input { return peak.TakePoint{At: at, By: r.By, Applied: applied} })
}

// askVerifyShow answers with the verification in hand and what speaks against it so
// far.
func (d *daemon) askVerifyShow(context.Context, []byte) ([]byte, error) {
	s := d.loop.snapshot.Load()
	out := struct {
		Session json.RawMessage `json:"session"` // null when none is in hand
		Lacks   []string        `json:"lacks"`   // what speaks against it so far
	}{Session: publish.EncodeSession(s), Lacks: []string{}}
	if s.State.Session.Known {
		out.Lacks = d.judgeSession(s.State.Session.Value).lacks()
	}
	return json.Marshal(out)
}

// askVerifyFinish judges the points taken. What is verified counts from now on; what
// is not leaves the verification in hand.
func (d *daemon) askVerifyFinish(ctx context.Context, body []byte) ([]byte, error) {
	r := verifyFinish{Months: usualMonths}
	if err := unmarshal(body, &r, `{"by":"A. Name","months":12}`); err != nil {
		return nil, err
	}
	if r.By == "" {
		return nil, badRequest(errNobody)
	}
	if err := checkMonths(r.Months); err != nil {
		return nil, badRequest(err)
	}
	s := d.loop.snapshot.Load().State.Session
	if !s.Known {
		return nil, conflict("no verification is in hand")
	}
	j := d.judgeSession(s.Value)
	if !j.Verified {
		return nil, conflict("%s", j.refusal())
	}
	changed := false // while it was judged
	data, err := d.askCore(ctx, func(at time.Duration) peak.Input {
		now := d.loop.snapshot.Load().State.Session
		if changed = !now.Known || !slices.Equal(now.Value.Points, s.Value.Points); changed {
			return peak.Tick{At: at}
		}
		v := d.verificationBy(j, s.Value.Standard, r.By)
		v.Range, v.On = s.Value.Range, at
		v.Until = untilAfter(d.loop.clock.Wall(at), r.Months).Sub(d.loop.clock.Epoch)
		return peak.RecordVerification{At: at, Verification: v, Points: s.Value.Points}
	})
	if changed {
		return nil, conflict("a point was taken or dropped meanwhile; look at the points, then finish again")
	}
	return data, err
}

// askVerifyRecord judges the readings of a verification that was made elsewhere. It
// counts from the day it was made.
func (d *daemon) askVerifyRecord(ctx context.Context, body []byte) ([]byte, error) {
	r := verifyRecord{Months: usualMonths}
	const example = `{"by":"A. Name","standard":"reference cell RC-7","standard_uncertainty":"0.12 %","on":"2026-11-03","csv":"run,applied_N,indicated_N\n…"}`
	if err := unmarshal(body, &r, example); err != nil {
		return nil, err
	}
	standard, err := r.read()
	if err != nil {
		return nil, badRequest(err)
	}
	made, until, err := r.times(time.Now())
	if err != nil {
		return nil, badRequest(err)
	}
	if err := d.recordable(r.Range, made); err != nil {
		return nil, err
	}
	j, err := d.judgeReadings(r.CSV, r.Range, standard)
	if err != nil {
		return nil, badRequest(err)
	}
	if !j.Verified {
		return nil, conflict("%s", j.refusal())
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input {
		v := d.verificationBy(j, standard, r.By)
		v.Range, v.On, v.Until = r.Range, made.Sub(d.loop.clock.Epoch), until.Sub(d.loop.clock.Epoch)
		v.Report = fmt.Sprintf("readings with SHA-256 %x", sha256.Sum256([]byte(r.CSV)))
		return peak.RecordVerification{At: at, Verification: v, Points: j.points(v.On)}
	})
}

// recordable says whether a verification that was made then may take the place of
// the one on record.
func (d *daemon) recordable(name string, made time.Time) error {
	s := d.loop.snapshot.Load()
	if s.State.Session.Known {
		return conflict("a verification is in hand; finish or cancel it first")
	}
	for _, v := range s.State.Verified {
		if on := s.Clock.Wall(v.On); v.Range == name && on.After(made) {
			return conflict("a later verification is on record, of %s", on.Local().Format(time.DateOnly))
		}
	}
	return nil
}

// times are when a verification was made, at the beginning of that day, and the
// last moment it counts.
func (r verifyRecord) times(now time.Time) (made, until time.Time, err error) {
	if r.On == "" {
		return made, until, errors.New(`say on which day it was made: "on":"2026-11-03"`)
	}
	if err := checkMonths(r.Months); err != nil {
		return made, until, err
	}
	if made, err = time.ParseInLocation(time.DateOnly, r.On, time.Local); err != nil {
		return made, until, fmt.Errorf("on: %q is no day such as 2026-11-03", r.On)
	}
	switch until = untilAfter(made, r.Months); {
	case made.After(now):
		return made, until, fmt.Errorf("on: %s has not come yet", r.On)
	case until.Before(now):
		return made, until, fmt.Errorf("a verification of %s was due by %s; verify the readings anew", r.On, until.Format(time.DateOnly))
	}
	return made, until, nil
}
