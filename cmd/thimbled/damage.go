package main

import (
	"context"
	"errors"

	"thimbled/peak"
	"thimbled/publish/journal"
)

// checkJournal reads the journal again beside the running daemon. What it finds
// damaged goes to the loop.
func (d *daemon) checkJournal(ctx context.Context) error {
	err := d.toldDamage(d.journal.Check)(ctx)
	if err != nil && ctx.Err() == nil {
		// The journal can be written all the same; only the next start takes longer.
		d.log.Warn("the journal could not be read again", "error", err)
	}
	return nil
}

// toldDamage is a task that reads the journal: where it finds damage the task ends, and
// the daemon goes on, as far as it can without it.
func (d *daemon) toldDamage(task func(context.Context) error) func(context.Context) error {
	return func(ctx context.Context) error {
		err := task(ctx)
		var damage *journal.Damage
		if !errors.As(err, &damage) {
			return err
		}
		select {
		case d.loop.damaged <- damage:
		case <-ctx.Done():
		}
		return nil
	}
}

// takeDamage records that the journal is damaged, unless that was done: several read
// it.
func (l *loop) takeDamage(d *journal.Damage) {
	if l.damage != nil || l.journal.Failed() != nil {
		return
	}
	l.log.Error("the journal is damaged; after the pull in hand nothing is added to it", "place", d.Error())
	l.damage = d
	l.settle([]peak.Event{peak.JournalDamaged{
		At: l.now(), File: d.File, Line: d.Line, Offset: d.Offset, Record: d.Record, Reason: d.Reason,
	}})
	l.refuseDamaged()
}

// refuseDamaged ends the recording in a damaged journal, once no pull is in hand whose
// evidence would be lost by that.
func (l *loop) refuseDamaged() {
	if l.damage != nil && !l.machine.State().InPull {
		l.journal.Refuse(l.damage)
		l.damage = nil
	}
}
