package acquire

import (
	"context"
	"time"

	"thimbled/acquire/text"
	"thimbled/peak"
)

// lines reads the instruments of a Text line.
type lines struct{ reader *text.Reader }

// ask polls one instrument.
func (l *lines) ask(_ context.Context, p *polled) answer {
	a, err := l.reader.Ask(p.instrument.Ask, p.instrument.Format, p.instrument.Timeout)
	return printed(a, err)
}

// next waits for a line that comes by itself.
func (l *lines) next(p *polled) answer {
	a, err := l.reader.Next(p.instrument.Format, p.instrument.Timeout)
	return printed(a, err)
}

func printed(a text.Answer, err error) answer {
	quality := text.Quality(err)
	out := answer{
		reading: reading{raw: a.Number, unit: a.Unit, stable: a.Stable, quality: quality},
		asked:   a.Asked, answered: a.Answered, err: err,
		silent: quality == peak.Timeout || quality == peak.Garbled,
		lost:   quality == peak.Disconnected,
	}
	switch {
	case quality == peak.Timeout:
		out.why = "no line within the time"
	case err != nil:
		out.why = err.Error()
	}
	return out
}

// pollContinuous takes the lines that an instrument prints by itself. There is no
// schedule: each line counts, or the newest, when they come faster than is
// wanted.
func (p *poller) pollContinuous(ctx context.Context, l *lines) (good bool, err error) {
	one := p.polled[0]
	wanted := one.slot.every - one.slot.every/4 // a line may come a little early
	for {
		a := l.next(one)
		switch {
		case ctx.Err() != nil:
			return good, ctx.Err()
		case a.lost && good:
			return good, a.err
		}
		at := a.answered
		if at.IsZero() {
			at = time.Now()
		}
		if at.Sub(one.slot.asked) >= wanted {
			one.slot.asked, one.slot.due = at, at.Add(one.slot.every)
			p.emit(one, a, a.asked, a.asked)
		}
		if a.lost {
			return good, a.err
		}
		good = good || !a.silent
	}
}
