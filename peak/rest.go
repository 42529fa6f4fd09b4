package peak

import "time"

// before keeps the best mean force seen at rest since the last pull, for the
// zero before the next one. Rest is a net force of at most the end level.
type before struct {
	grade restGrade
	mean  Force
}

// restGrade says how good a mean at rest is; a worse one never replaces a
// better, or the first readings of a slow rise would count as rest.
type restGrade uint8

const (
	restUnseen restGrade = iota
	restMoving           // the force moved more than it may
	restShort            // quiet, but not for the whole settling time
	restQuiet            // quiet for the whole settling time
)

func gradeOf(w *window, motion Force) restGrade {
	switch {
	case w.spread() > motion:
		return restMoving
	case !w.whole():
		return restShort
	}
	return restQuiet
}

func (b *before) see(w *window, motion Force) {
	if g := gradeOf(w, motion); g >= b.grade {
		b.grade, b.mean = g, w.mean()
	}
}

func (b *before) net(z *zeroKeeper) Maybe[Force] {
	if b.grade == restUnseen {
		return Maybe[Force]{}
	}
	return Known(z.net(b.mean))
}

// patience is how many settling times the zero after a pull may take to become
// quiet; after that the first settling time counts as it was.
const patience = 3

// after takes the mean force of the first settling time after a pull, from the
// first quiet one: the last of the fall is no zero.
type after struct {
	from  time.Duration
	sum   Force
	n     int
	quiet Maybe[Force]
}

func (a *after) see(s sample, w *window, set Zeroing) {
	if s.at-a.from <= set.Settle {
		a.sum += s.indicated
		a.n++
	}
	if !a.quiet.Known && w.points.first().at >= a.from && gradeOf(w, set.Motion) == restQuiet {
		a.quiet = Known(w.mean())
	}
}

// ready says that waiting longer would bring nothing.
func (a *after) ready(now time.Duration, set Zeroing) bool {
	return a.quiet.Known || now-a.from >= patience*set.Settle
}

func (a *after) net(z *zeroKeeper) Maybe[Force] {
	switch {
	case a.quiet.Known:
		return Known(z.net(a.quiet.Value))
	case a.n == 0:
		return Maybe[Force]{}
	}
	return Known(z.net(meanOf(a.sum, a.n)))
}
