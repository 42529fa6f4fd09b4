package modbus

import (
	"context"
	"time"
)

// settle returns when a request may be sent: no answer is owed, and the line has
// been silent for as long as the standard asks. It waits at most patience longer
// than it has to for a line that is never silent.
func (r *rtu) settle(ctx context.Context, patience time.Duration) error {
	if !r.quarantine.IsZero() {
		return r.drain(ctx, 0, patience)
	}
	silent := r.lastByte.Add(r.settings.Silence)
	r.pause(ctx, silent)
	if soonest := time.Now().Add(look); silent.Before(soonest) {
		silent = soonest
	}
	n, err := r.wire.read(ctx, r.buf[:], silent)
	if n == 0 || err != nil {
		return err
	}
	return r.drain(ctx, n, patience)
}

// drain drops what comes, n bytes of which are in the buffer, until the line is
// settled. Bytes that waited in the system's buffer have no time, so silence
// counts from now.
func (r *rtu) drain(ctx context.Context, n int, patience time.Duration) error {
	r.touch(time.Now())
	r.counters.StrayBytes += uint64(n)
	limit := r.settledAt(n).Add(patience)
	for {
		r.suspect(n)
		got, err := r.wire.read(ctx, r.buf[n:], r.settledAt(n))
		if err != nil {
			r.forget(n)
			return err
		}
		if got == 0 {
			if r.paid(r.buf[:n]) {
				r.unanswered[r.owed.unit] = 0
			}
			r.quarantine = time.Time{}
			return nil
		}
		now := time.Now()
		r.touch(now)
		r.counters.StrayBytes += uint64(got)
		n += got
		if n == len(r.buf) {
			r.forget(n)
			n = exceptionRTU // enough to stay suspicious
		}
		if now.After(limit) && now.After(r.quarantine) {
			r.forget(n)
			return errBabble
		}
	}
}

// settledAt is when the line is settled if nothing more comes.
//
// A late answer ends the quarantine before its time when it is, whole and alone,
// the one answer that is owed: an instrument answers a request once, so nothing
// more can come. Another byte behind it and the quarantine is on again.
func (r *rtu) settledAt(n int) time.Time {
	silent := r.lastByte.Add(r.settings.Silence)
	if r.quarantine.After(silent) && !r.paid(r.buf[:n]) {
		return r.quarantine
	}
	return silent
}

// paid says that buf is exactly the answer that is owed, and no other is.
func (r *rtu) paid(buf []byte) bool {
	if len(r.owed.frame) == 0 || r.hanging(r.owed.unit) {
		return false
	}
	s := search{asked: r.owed}
	answer, _, err := s.next(buf)
	return err == nil && len(answer) > 0 && len(answer) == len(buf)
}

// forget gives up recognising the owed answer once some of what came is lost.
func (r *rtu) forget(n int) {
	if n > 0 {
		r.owed = asked{}
	}
}
