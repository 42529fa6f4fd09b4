package modbus

import (
	"context"
	"syscall"
	"time"
)

const (
	// coarse is what the runtime's timers may be late by.
	coarse = 1300 * time.Microsecond
	// wake is what the system needs to wake a thread, by its timer slack.
	wake = 60 * time.Microsecond
)

// pauseUntil waits for a moment, or less when ctx ends. It is late by some
// hundredths of a millisecond where the runtime's own timers are late by a whole
// one, which would cost a tenth of the rate of a fast line. It is a wait and no
// promise: the caller looks at the clock.
func pauseUntil(ctx context.Context, until time.Time) {
	if left := time.Until(until); left > 2*coarse {
		timer := time.NewTimer(left - coarse)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			return
		}
	}
	if left := time.Until(until) - wake; left > 0 {
		ts := syscall.NsecToTimespec(int64(min(left, 2*coarse)))
		_ = syscall.Nanosleep(&ts, nil) // cut short by a signal, it is only early
	}
}
