package main

import (
	"context"
	"fmt"
	"time"

	"thimbled/peak"
)

const (
	// retainEvery is how often old traces are looked for.
	retainEvery = 24 * time.Hour
	// retainPause comes after each one, so that the loop has time for readings.
	retainPause = 50 * time.Millisecond
)

// removeOldTraces has traces removed that are older than the config keeps them: at
// the start and once a day.
func (d *daemon) removeOldTraces(ctx context.Context) error {
	months := d.config.Journal.KeepTraces
	if months == 0 {
		return nil
	}
	why := fmt.Sprintf("kept for %d calendar months", months)
	for {
		before := d.retainFrom().AddDate(0, -months, 0)
		old, err := d.journal.OldTraces(ctx, before)
		if err != nil && ctx.Err() == nil {
			d.log.Warn("old traces are not removed", "error", err)
		}
		for _, o := range old {
			e := peak.TraceRemoved{Pull: o.Pull, Name: o.Trace.Name, SHA256: o.Trace.SHA256, Why: why}
			select {
			case d.loop.removals <- e:
			case <-ctx.Done():
				return nil
			}
			if wait(ctx, retainPause) != nil {
				return nil
			}
		}
		if wait(ctx, retainEvery) != nil {
			return nil
		}
	}
}

// retainFrom is the moment that ages count to: now, but no later than the journal's
// last moment before this start and the time since then. A clock that is wrong in
// one run must not make traces look old.
func (d *daemon) retainFrom() time.Time {
	now := d.on.wall()
	if d.recorded.IsZero() {
		return now
	}
	if last := d.recorded.Add(d.loop.now()); last.Before(now) {
		return last
	}
	return now
}

// removeTrace records that a trace is removed; it goes once that is durable. While a
// pull is in hand that waits for the next day.
func (l *loop) removeTrace(e peak.TraceRemoved) {
	if l.machine.State().InPull || l.journal.Failed() != nil {
		return
	}
	e.At = l.now()
	l.settle([]peak.Event{e})
}

// wait waits for a while, or until ctx ends.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
