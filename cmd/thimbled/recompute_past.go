package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// past is what the records so far say about how pulls are judged. The zero value is that
// of an empty journal.
type past struct {
	parameters parameters
	digest     string     // of the config that the daemon runs with
	start      peak.Start // for its verifications
	flat       bool       // the alarm of a force that does not follow the pressure is on
	judged     *judgedBy  // nil until it is asked for
}

// follow takes the next record.
func (p *past) follow(r publish.Record) error {
	switch r.Type {
	case peak.TypeDaemonStarted:
		var data struct {
			Digest string `json:"config_digest"`
		}
		if err := json.Unmarshal(r.Data, &data); err != nil {
			return err
		}
		p.digest, p.flat, p.judged = data.Digest, false, nil
	case peak.TypeParametersChanged, peak.TypeForceVerified:
		e, err := publish.Decode(r.Event, sinceEpoch, publish.Traces{})
		if err != nil {
			return err
		}
		p.take(e)
	case peak.TypeAlarmRaised, peak.TypeAlarmCleared:
		var data struct {
			Alarm peak.Alarm `json:"alarm"`
		}
		if err := json.Unmarshal(r.Data, &data); err != nil {
			return err
		}
		if data.Alarm == peak.ForceFlat {
			p.flat = r.Type == peak.TypeAlarmRaised
		}
	}
	return nil
}

func (p *past) take(e peak.Event) {
	p.judged = nil
	if e, ok := e.(peak.ParametersChanged); ok {
		if p.parameters.known == nil {
			p.parameters.known = map[string]string{}
		}
		p.parameters.follow(e)
		return
	}
	p.start.Follow(e)
}

// judging is what a pull is judged by that is recorded now: by the parameters on record,
// else by the config that the daemon ran with, if that is at hand.
func (p *past) judging(c *config.Config) (*judgedBy, error) {
	if p.judged != nil {
		return p.judged, nil
	}
	j := &judgedBy{verified: slices.Clip(p.start.Verified), constant: p.constant()}
	var err error
	switch {
	case c != nil && p.digest == c.Digest:
		j.settings = c.Settings()
	case len(p.parameters.known) > 0:
		if j.settings, err = config.Judging(p.parameters.known); err != nil {
			return nil, err
		}
	default:
		return nil, fmt.Errorf("what it was judged by is not on record; --config must name the config whose SHA-256 is %s", p.digest)
	}
	p.judged = j
	return j, nil
}

// constant is the indicator's calibration constant, as long as it is read.
func (p *past) constant() peak.Maybe[int64] {
	text, known := p.parameters.known[constantParameter]
	if _, read := p.parameters.known[constantRegister]; !known || !read {
		return peak.Maybe[int64]{}
	}
	var n int64
	if _, err := fmt.Sscan(text, &n); err != nil {
		return peak.Maybe[int64]{}
	}
	return peak.Known(n)
}

// constantRegister is the key of the config that says where the constant is read.
const constantRegister = "load.constant_register"

// pastOf is what the records before one say. It reads them all.
func pastOf(ctx context.Context, w *journal.Writer, before uint64) (*past, error) {
	p := &past{}
	for n := uint64(1); n < before; n++ {
		r, err := w.Next(ctx, n-1)
		if err != nil {
			return nil, err
		}
		if err := p.follow(r); err != nil {
			return nil, fmt.Errorf("record %d: %w", n, err)
		}
	}
	return p, nil
}

// judgingHere is what a pull of the daemon's own bench is judged by: what is on record,
// else the config in force.
func (p *past) judgingHere(c *config.Config) judgedBy {
	if j, err := p.judging(nil); err == nil {
		return *j
	}
	return judgedBy{settings: c.Settings(), verified: p.start.Verified, constant: p.constant()}
}
