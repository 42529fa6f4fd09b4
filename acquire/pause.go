package acquire

import (
	"context"
	"syscall"
	"time"
)

const (
	// coarse is what the runtime's timers may be late by: they count in whole
	// milliseconds.
	coarse = 1300 * time.Microsecond
	// wake is what the system needs to wake a thread, by its timer slack.
	wake = 60 * time.Microsecond
)

// sleepExactly returns nil at the given moment, or an error as soon as ctx ends. The
// last part of the way is slept in the system, whose timers are ten times more
// exact than the runtime's; it is too short for anybody to wait for its end.
func sleepExactly(ctx context.Context, at time.Time) error {
	if err := sleepUntil(ctx, at.Add(-coarse)); err != nil {
		return err
	}
	if left := time.Until(at) - wake; left > 0 {
		ts := syscall.NsecToTimespec(int64(left))
		_ = syscall.Nanosleep(&ts, nil) // cut short by a signal, it is only early
	}
	return sleepUntil(ctx, at)
}

// sleepUntil returns nil at the given moment by the runtime's timers, or an error
// as soon as ctx ends.
func sleepUntil(ctx context.Context, at time.Time) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	left := time.Until(at)
	if left <= 0 {
		return nil
	}
	timer := time.NewTimer(left)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
