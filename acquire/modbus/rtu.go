package modbus

import (
	"bytes"
	"context"
	"errors"
	"time"
)

// strayCap is how many bytes an exchange or a drain keeps. The longest answer
// and its echo take 264; more is noise, and beyond the cap it is babble.
const strayCap = 1024

// look is a deadline so near that a read only takes what is there already. A
// deadline in the past would not read at all; one further off would wait for
// the runtime's timers, which are a millisecond coarse.
const look = 2 * time.Microsecond

// rtu carries RTU frames. RTU has no transaction identifier, so what keeps
// answers apart is that a request is sent only when no answer is owed: after an
// exchange that was answered, or when the answer can no longer come.
type rtu struct {
	*wire
	settings Settings
	pause    func(ctx context.Context, until time.Time)

	buf      [strayCap]byte
	lastByte time.Time // of the last byte on the wire, in either direction
	echoSeen bool
	unechoed int // exchanges in a row that lacked the echo seen before

	// quarantine is when the last answer that may still come has come; zero
	// when none is owed.
	quarantine time.Time
	// owed is the request whose answer is owed. It has no frame when anything
	// came in its exchange, or when it is not known.
	owed asked
	// unanswered counts, for each unit, the requests in a row that nothing has
	// answered: as many late answers may come at any time.
	unanswered [256]uint8
}

func newRTU(w *wire, s Settings) *rtu {
	now := time.Now()
	r := &rtu{
		wire: w, settings: s, pause: pauseUntil,
		lastByte: now, quarantine: now.Add(s.WorstAnswer),
	}
	if s.Sleep != nil {
		r.pause = func(ctx context.Context, until time.Time) { _ = s.Sleep(ctx, until) } // whoever waits looks at ctx
	}
	return r
}

func (r *rtu) exchange(ctx context.Context, a asked) ([]byte, Stamps, error) {
	if a.unit == 0 {
		return nil, Stamps{}, errors.New("unit 0 is the broadcast address, which nobody answers")
	}
	if err := r.settle(ctx, a.timeout); err != nil {
		return nil, Stamps{}, err
	}
	at := Stamps{Asked: time.Now()}
	if err := r.write(a.frame); err != nil {
		return nil, at, err
	}
	r.touch(at.Asked.Add(r.chars(len(a.frame))))
	s := search{asked: a, echo: r.echoRule()}
	deadline := at.Asked.Add(r.wireTime(a) + a.timeout)
	answer, n, err := r.receive(ctx, &s, deadline)
	at.Answered = time.Now()
	if err == nil {
		err = inTime(a, at, deadline)
	}
	if err == nil {
		n, err = r.alone(ctx, &s, answer, n)
	}
	if s.echoed {
		r.counters.Echoes++
	}
	if err == nil && r.hanging(a.unit) {
		return r.again(ctx, &s, n)
	}
	if err != nil {
		at.Answered = time.Time{}
		r.doubtEcho(err)
		r.isolate(at.Asked, &s, n)
		return nil, at, err
	}
	r.accept(&s, n-s.from, n-len(answer))
	return answer, at, nil
}

// receive reads until the search finds the answer. n is the number of bytes
// that came.
func (r *rtu) receive(ctx context.Context, s *search, deadline time.Time) (answer []byte, n int, err error) {
	for n < len(r.buf) {
		got, err := r.wire.read(ctx, r.buf[n:], deadline)
		if err != nil {
			return nil, n, err
		}
		if got == 0 {
			return nil, n, r.missed(s, n)
		}
		now := time.Now()
		r.touch(now)
		n += got
		answer, missing, err := s.next(r.buf[:n])
		if answer != nil || err != nil {
			return answer, n, err
		}
		r.pace(ctx, now, missing, deadline)
	}
	return nil, n, errBabble
}

// alone makes sure that no second frame follows the answer, for then nobody can
// tell which of them answers this request: an instrument that repeats an old
// answer sends it first. A byte behind a frame follows at once, so one and a half
// characters (the standard's longest pause within a frame) show it. An instrument
// that has left a request unanswered may be about to answer both, for which it
// has its usual time. A few stray bytes do no harm, nor does the same answer
// once more. n is the number of bytes that came in all.
func (r *rtu) alone(ctx context.Context, s *search, answer []byte, n int) (int, error) {
	if r.unanswered[s.unit] > 0 {
		var err error
		if n, err = r.linger(ctx, n, time.Now().Add(s.timeout)); err != nil {
			return n, err
		}
	}
	for n < len(r.buf) {
		r.pause(ctx, r.lastByte.Add(r.settings.CharTime*3/2))
		got, err := r.wire.read(ctx, r.buf[n:], time.Now().Add(look))
		if err != nil {
			return n, err
		}
		if got == 0 {
			break
		}
		r.touch(time.Now())
		n += got
	}
	if behind := r.buf[s.from:n]; len(behind) >= exceptionRTU && !bytes.Equal(behind, answer) {
		return n, errGlued
	}
	return n, nil
}

// linger takes what comes until the given moment, behind n bytes that came.
func (r *rtu) linger(ctx context.Context, n int, until time.Time) (int, error) {
	for n < len(r.buf) {
		got, err := r.wire.read(ctx, r.buf[n:], until)
		if got == 0 || err != nil {
			return n, err
		}
		r.touch(time.Now())
		n += got
	}
	return n, nil
}

// hanging says that a unit has left so many requests unanswered that it may be
// about to answer any number of them, at whatever pace.
func (r *rtu) hanging(unit byte) bool { return r.unanswered[unit] > 1 }

// again drops an answer that may be a late one, waits until those behind it
// have come too, and asks anew.
func (r *rtu) again(ctx context.Context, s *search, n int) ([]byte, Stamps, error) {
	r.isolate(time.Now(), s, n)
	r.unanswered[s.unit] = 1
	return r.exchange(ctx, s.asked)
}

// pace waits while bytes that cannot have come yet are on the wire, rather than
// waking for each of them.
func (r *rtu) pace(ctx context.Context, now time.Time, missing int, deadline time.Time) {
	until := now.Add(r.chars(missing - 1))
	if until.Before(deadline) {
		r.pause(ctx, until)
	}
}

// missed says why there was no answer within the time.
func (r *rtu) missed(s *search, n int) error {
	foreign, err := s.explain(r.buf[:n])
	if foreign {
		r.counters.Foreign++
		r.unheard(s.unit)
	}
	return err
}

// accept notes what else came with a good answer: behind it, and in all.
func (r *rtu) accept(s *search, behind, besides int) {
	if s.echoed {
		besides -= len(s.frame)
		r.echoSeen = true
	}
	r.unechoed = 0
	r.unanswered[s.unit] = 0
	r.counters.StrayBytes += uint64(besides)
	r.suspect(behind)
}

// suspect leaves the line alone when bytes came that nobody asked for and that
// could be a frame: then something talks that is not understood.
func (r *rtu) suspect(unasked int) {
	if unasked < exceptionRTU || !r.quarantine.IsZero() {
		return
	}
	r.quarantine = time.Now().Add(r.settings.WorstAnswer)
	r.owed = asked{}
	r.counters.Quarantines++
}

// isolate begins the quarantine after a failed exchange of which n bytes came.
func (r *rtu) isolate(sent time.Time, s *search, n int) {
	r.quarantine = sent.Add(r.wireTime(s.asked) + r.settings.WorstAnswer)
	r.counters.Quarantines++
	r.owed = asked{}
	if s.echoed {
		n -= len(s.frame)
	}
	r.counters.StrayBytes += uint64(n)
	if n == 0 {
		r.owed = s.asked
		r.unheard(s.unit)
	}
}

// unheard counts a request that its unit has not answered.
func (r *rtu) unheard(unit byte) { r.unanswered[unit] = min(r.unanswered[unit]+1, 2) }

// believe is how many exchanges in a row must lack an echo that was seen before
// until it is looked for anew: adapters are exchanged, single echoes are lost.
const believe = 3

func (r *rtu) doubtEcho(err error) {
	if !errors.Is(err, errCollision) {
		return
	}
	if r.unechoed++; r.unechoed >= believe {
		r.echoSeen, r.unechoed = false, 0
	}
}

func (r *rtu) echoRule() Echo {
	if r.echoSeen && r.settings.Echo == EchoAuto {
		return EchoOn
	}
	return r.settings.Echo
}

func (r *rtu) chars(n int) time.Duration { return time.Duration(n) * r.settings.CharTime }

// wireTime is the time that a request and its answer are on the wire.
func (r *rtu) wireTime(a asked) time.Duration { return r.chars(len(a.frame) + a.answerSize()) }

// touch notes a byte on the wire.
func (r *rtu) touch(t time.Time) {
	if t.After(r.lastByte) {
		r.lastByte = t
	}
}
