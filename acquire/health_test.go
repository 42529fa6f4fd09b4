package acquire

import (
	"testing"
	"time"

	"thimbled/peak"
)

func at(d time.Duration, q peak.Quality) Sample {
	s := Sample{Instrument: "load", Answered: d, Quality: q}
	if q != peak.Good {
		s.Why = "no answer"
	}
	return s
}

func TestHealth(t *testing.T) {
	type step struct {
		at   time.Duration
		q    peak.Quality
		want peak.Event // nil for none
	}
	lost := func(at, since time.Duration) peak.Event {
		return peak.InstrumentLost{At: at, Instrument: "load", Why: "no answer", Since: since}
	}
	found := func(at, since time.Duration) peak.Event {
		return peak.InstrumentFound{At: at, Instrument: "load", Since: since}
	}
	const s = time.Second
	for what, steps := range map[string][]step{
		"never there": {{s / 2, peak.Timeout, nil}, {s, peak.Timeout, nil}, {2 * s, peak.Timeout, lost(2*s, 0)}, {9 * s, peak.Timeout, nil}, {10 * s, peak.Good, found(10*s, 2*s)}},
		"first good":  {{s, peak.Good, nil}, {2 * s, peak.Good, nil}},
		"many in a short time": {{s, peak.Good, nil}, {s + 20*ms, peak.Garbled, nil}, {s + 40*ms, peak.Garbled, nil}, {s + 60*ms, peak.Garbled, nil},
			{s + 999*ms, peak.Garbled, nil}, {2 * s, peak.Garbled, lost(2*s, s)}},
		"few in a long time": {{s, peak.Good, nil}, {11 * s, peak.Timeout, nil}, {21 * s, peak.Timeout, nil}, {22 * s, peak.Good, nil},
			{32 * s, peak.Timeout, nil}, {42 * s, peak.Timeout, nil}, {52 * s, peak.Timeout, lost(52*s, 22*s)}},
	} {
		h := NewHealth("load")
		isLost := false
		for i, c := range steps {
			e, changed := h.Observe(at(c.at, c.q))
			if changed != (c.want != nil) || changed && e != c.want {
				t.Errorf("%s, step %d: %+v, %v; want %+v", what, i, e, changed, c.want)
			}
			isLost = isLost != changed
			if h.Lost() != isLost {
				t.Errorf("%s, step %d: lost is %v", what, i, h.Lost())
			}
			if last := h.LastGood(); c.q == peak.Good && last.Value.Answered != c.at || last.Known && last.Value.Quality != peak.Good {
				t.Errorf("%s, step %d: last good is %+v", what, i, last)
			}
		}
	}
}

func TestStuckWatch(t *testing.T) {
	force := func(d time.Duration, raw float64) Sample {
		return Sample{Measures: Force, Answered: d, Raw: raw, Force: peak.Force(raw) * peak.Kilonewton}
	}
	pressure := func(d time.Duration, bar int64) Sample {
		return Sample{Measures: Pressure, Answered: d, Pressure: peak.Pressure(bar) * peak.Bar}
	}
	const s = time.Second
	for what, c := range map[string]struct {
		samples []Sample
		stuck   bool // the last one
	}{
		"nothing moves":           {[]Sample{pressure(0, 2), force(0, 1), force(9*s, 1), pressure(9*s, 2), force(99*s, 1)}, false},
		"both move":               {[]Sample{pressure(0, 2), force(0, 1), pressure(s, 50), force(s, 30), pressure(9*s, 51), force(9*s, 30)}, false},
		"pressure alone, at once": {[]Sample{pressure(0, 2), force(0, 1), force(90*s, 1), pressure(91*s, 50), force(91*s, 1)}, false},
		"pressure alone, long":    {[]Sample{pressure(0, 2), force(0, 1), pressure(s, 50), force(2*s, 1), force(4*s, 1)}, true},
		"just before the time":    {[]Sample{pressure(0, 2), force(0, 1), pressure(s, 50), force(4*s-1, 1)}, false},
		"pressure falls":          {[]Sample{pressure(0, 80), force(0, 40), pressure(s, 70), force(4*s, 40)}, true},
		"a little pressure":       {[]Sample{pressure(0, 2), force(0, 1), pressure(s, 6), force(9*s, 1)}, false},
		"comes back":              {[]Sample{pressure(0, 2), force(0, 1), pressure(s, 50), force(4*s, 1), force(5*s, 30), force(9*s, 30)}, false},
		"no pressure known":       {[]Sample{force(0, 1), force(9*s, 1)}, false},
	} {
		w, off := NewStuckWatch(3*s), NewStuckWatch(0)
		for i, sample := range c.samples {
			got, want := w.Observe(sample), c.stuck && i == len(c.samples)-1
			if what != "comes back" && (got.Quality == peak.Stuck) != want {
				t.Errorf("%s, sample %d: %+v", what, i, got)
			}
			if what == "comes back" && (got.Quality == peak.Stuck) != (i == 3) {
				t.Errorf("%s, sample %d: %+v", what, i, got)
			}
			if got.Quality == peak.Stuck && (got.Force != 0 || got.Why == "") {
				t.Errorf("%s: a stuck sample has a value or no reason: %+v", what, got)
			}
			if off.Observe(sample) != sample {
				t.Errorf("%s: a watch that is off changed a sample", what)
			}
		}
	}
}

// Bad samples neither count as a value nor end the watch.
func TestStuckWatchSkipsBadSamples(t *testing.T) {
	w := NewStuckWatch(time.Second)
	w.Observe(Sample{Measures: Pressure, Pressure: peak.Bar})
	w.Observe(Sample{Measures: Force, Raw: 5})
	w.Observe(Sample{Measures: Pressure, Pressure: 20 * peak.Bar, Answered: 1})
	bad := Sample{Measures: Force, Quality: peak.Timeout, Answered: time.Minute}
	if got := w.Observe(bad); got != bad {
		t.Errorf("bad sample became %+v", got)
	}
	if got := w.Observe(Sample{Measures: Force, Raw: 5, Answered: 2 * time.Minute}); got.Quality != peak.Stuck {
		t.Errorf("%+v", got)
	}
}
