package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// The parameters that are no key of the config.
const (
	versionParameter      = "version"
	digestParameter       = "config.digest"
	constantParameter     = "load.constant"
	verificationParameter = "verification" // with the range's name behind it, if it has one
)

// parameters is what is on record of everything that touches a figure: its value
// now, and how often one was changed. A first recording is no change.
type parameters struct {
	known map[string]string
	count int64
}

// readParameters returns what the journal's records say.
func readParameters(ctx context.Context, w *journal.Writer, records []uint64) (parameters, error) {
	p := parameters{known: map[string]string{}}
	for _, number := range records {
		r, err := w.Next(ctx, number-1)
		if err != nil {
			return p, err
		}
		e, err := publish.Decode(r.Event, publish.Clock{Epoch: r.Time}, publish.Traces{})
		if err != nil {
			return p, fmt.Errorf("record %d: %w", number, err)
		}
		if changed, ok := e.(peak.ParametersChanged); ok {
			p.follow(changed)
		}
	}
	return p, nil
}

// follow takes a recorded change.
func (p *parameters) follow(e peak.ParametersChanged) {
	p.count = e.Count
	for _, c := range e.Changes {
		if c.New.Known {
			p.known[c.Name] = c.New.Value
		} else {
			delete(p.known, c.Name)
		}
	}
}

// set makes the event of parameters that have new values; no event if none has.
func (p *parameters) set(at time.Duration, by string, now ...config.Parameter) (peak.ParametersChanged, bool) {
	e := peak.ParametersChanged{At: at, By: by, Count: p.count}
	for _, n := range now {
		old, there := p.known[n.Name]
		if there && old == n.Value {
			continue
		}
		c := peak.Change{Name: n.Name, New: peak.Known(n.Value)}
		if there {
			c.Old = peak.Known(old)
			e.Count++
		}
		e.Changes = append(e.Changes, c)
	}
	return e, len(e.Changes) > 0
}

// start makes the event of what is other than before at the start of the daemon: a
// key of the config that is gone is told too.
func (p *parameters) start(c *config.Config, version string) (peak.ParametersChanged, bool) {
	now := append([]config.Parameter{{Name: versionParameter, Value: version}, {Name: digestParameter, Value: c.Digest}}, c.Parameters()...)
	e, _ := p.set(0, "the start of the daemon", now...)
	for _, name := range slices.Sorted(maps.Keys(p.known)) {
		if !slices.ContainsFunc(now, func(n config.Parameter) bool { return n.Name == name }) && ofConfig(name) {
			e.Changes = append(e.Changes, peak.Change{Name: name, Old: peak.Known(p.known[name])})
			e.Count++
		}
	}
	return e, len(e.Changes) > 0
}

// ofConfig says that a parameter is known at the start of the daemon: what is read
// from the indicator, and verifications, stay as they are.
func ofConfig(name string) bool {
	return name != constantParameter && name != verificationParameter && !strings.HasPrefix(name, verificationParameter+".")
}

// constantIs and verificationIs are the parameters that change while a daemon runs.
func constantIs(value int64) config.Parameter {
	return config.Parameter{Name: constantParameter, Value: strconv.FormatInt(value, 10)}
}

func verificationIs(v peak.Verification, c publish.Clock) config.Parameter {
	name := verificationParameter
	if v.Range != "" {
		name += "." + v.Range
	}
	return config.Parameter{Name: name, Value: fmt.Sprintf("%v to %v, made %s, until %s, with %s",
		v.From, v.To, c.Wall(v.On).Format(time.DateOnly), c.Wall(v.Until).Format(time.DateOnly), v.Standard.Name)}
}
