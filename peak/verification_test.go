package peak_test

import (
	"slices"
	"testing"
	"time"

	"thimbled/peak"
)

// at100kN is a pull to 100 kN with a hold of 5 s.
func at100kN(at time.Duration) float64 {
	switch s := at.Seconds(); {
	case s < 2 || s > 14:
		return 0
	case s < 4:
		return 50_000 * (s - 2)
	case s > 12:
		return 50_000 * (14 - s)
	}
	return 100_000
}

func TestPullIsJudgedByTheVerification(t *testing.T) {
	low := verified()
	low.Range, low.From, low.To = "low", peak.Kilonewton, 50*peak.Kilonewton
	high := verified()
	high.Range, high.From, high.To = "high", 50*peak.Kilonewton, 250*peak.Kilonewton
	ranges := []peak.Range{
		{Name: "low", UpTo: 50 * peak.Kilonewton, Division: 10 * peak.Newton},
		{Name: "high", UpTo: 250 * peak.Kilonewton, Division: 50 * peak.Newton},
	}
	for name, c := range map[string]struct {
		change func(*peak.Settings, *peak.Start)
		reason peak.Reason // empty: the pull passes
		budget bool
	}{
		"in force":     {func(*peak.Settings, *peak.Start) {}, "", true},
		"none at all":  {func(_ *peak.Settings, s *peak.Start) { s.Verified = nil }, "", false},
		"overdue":      {func(_ *peak.Settings, s *peak.Start) { s.Verified[0].Until = time.Second }, peak.VerificationOverdue, true},
		"peak above":   {func(_ *peak.Settings, s *peak.Start) { s.Verified[0].To = 99 * peak.Kilonewton }, peak.OutsideVerifiedRange, true},
		"hold below":   {func(_ *peak.Settings, s *peak.Start) { s.Verified[0].From = 91 * peak.Kilonewton }, peak.OutsideVerifiedRange, true},
		"peak below":   {func(_ *peak.Settings, s *peak.Start) { s.Verified[0].From = 150 * peak.Kilonewton }, peak.OutsideVerifiedRange, true},
		"other serial": {func(set *peak.Settings, _ *peak.Start) { set.Serial = "LC-250-18" }, peak.Unverified, false},
		"other scale":  {func(set *peak.Settings, _ *peak.Start) { set.Scale = "0.5 x raw" }, peak.Unverified, false},
		"other constant": {func(_ *peak.Settings, s *peak.Start) {
			s.Verified[0].Constant, s.Constant = peak.Known[int64](7), peak.Known[int64](8)
		}, peak.ConstantChanged, true},
		"range without one": {func(set *peak.Settings, s *peak.Start) { set.Ranges, s.Verified = ranges, []peak.Verification{low} }, peak.Unverified, false},
		"each range its own": {func(set *peak.Settings, s *peak.Start) {
			set.Ranges, s.Verified = ranges, []peak.Verification{low, high}
		}, "", true},
		"tare counts": {func(_ *peak.Settings, s *peak.Start) {
			s.Tare, s.Verified[0].To = 50*peak.Kilonewton, 120*peak.Kilonewton
		}, peak.OutsideVerifiedRange, true},
	} {
		set := dock3()
		set.Zero.TrackWithin = 0
		set.Standing = peak.Known(peak.Requirement{Asked: 90 * peak.Kilonewton, Hold: 5 * time.Second})
		start := peak.Start{Verified: []peak.Verification{verified()}}
		c.change(&set, &start)
		tare := start.Tare
		e := play(t, set, start, 20*time.Millisecond, 20*time.Second, func(at time.Duration) float64 {
			return at100kN(at) + float64(tare)/1000
		})
		want := []peak.Reason(nil)
		verdict := peak.Pass
		if c.reason != "" {
			want, verdict = []peak.Reason{c.reason}, peak.Void
		}
		if e.Verdict != verdict || !slices.Equal(e.Reasons, want) {
			t.Errorf("%s: %s %v, want %s %v", name, e.Verdict, e.Reasons, verdict, want)
		}
		if e.PeakBudget.Known != c.budget || e.HeldBudget.Known != c.budget {
			t.Errorf("%s: budgets known %v and %v, want %v", name, e.PeakBudget.Known, e.HeldBudget.Known, c.budget)
		}
	}
}

// A pull that never reached the required force is incomplete, even if its peak lies
// below the verified range.
func TestLowPeakIsNoVerifiedMatter(t *testing.T) {
	set := dock3()
	set.Standing = peak.Known(peak.Requirement{Asked: 150 * peak.Kilonewton, Hold: 5 * time.Second})
	v := verified()
	v.From = 110 * peak.Kilonewton
	e := play(t, set, peak.Start{Verified: []peak.Verification{v}}, 20*time.Millisecond, 20*time.Second, at100kN)
	if e.Verdict != peak.Incomplete || !slices.Equal(e.Reasons, []peak.Reason{peak.HoldNotReached}) {
		t.Errorf("%s %v", e.Verdict, e.Reasons)
	}
}

// bench steps a core at rest or under a steady force and answers commands.
type bench struct {
	t   *testing.T
	m   *peak.Machine
	now time.Duration
}

func (b *bench) at(force peak.Force) {
	for range 150 {
		b.m.Step(&peak.Reading{At: b.now, Force: force})
		b.now += 20 * time.Millisecond
	}
}

func (b *bench) ask(in peak.Input) peak.Event {
	b.t.Helper()
	events := b.m.Step(in)
	if len(events) != 1 {
		b.t.Fatalf("%T gave %v", in, events)
	}
	return events[0]
}

func (b *bench) refused(in peak.Input) {
	b.t.Helper()
	if e, ok := b.ask(in).(peak.CommandRefused); !ok || e.Why == "" {
		b.t.Errorf("%T was not refused: %v", in, e)
	}
}

// A verification from start to result, with what must be refused on the way, and a
// core that goes on from its records in the middle.
func TestVerificationSession(t *testing.T) {
	set := dock3()
	b := &bench{t: t, m: peak.New(set, peak.Start{})}
	standard := peak.Standard{Name: "reference cell R-1", Uncertainty: peak.Percent / 10}
	b.at(0)
	b.refused(peak.TakePoint{At: b.now, Applied: 0})
	b.refused(peak.StartVerification{At: b.now, Standard: peak.Standard{Name: "R-1"}})
	b.refused(peak.StartVerification{At: b.now, Standard: standard, Range: "none such"})
	var records []peak.Event
	keep := func(e peak.Event) { records = append(records, e) }
	keep(b.ask(peak.StartVerification{At: b.now, Standard: standard, By: "B. Ek"}))
	b.refused(peak.StartVerification{At: b.now, Standard: standard})
	b.refused(peak.OpenJob{At: b.now, Job: peak.Job{ID: "j", Item: "i", Planned: []peak.Planned{{}}}})
	b.refused(peak.StartWeighing{At: b.now})
	for run := range 2 {
		for _, kN := range []peak.Force{50, 100} {
			b.at(kN*peak.Kilonewton + 20*peak.Newton)
			e := b.ask(peak.TakePoint{At: b.now, Applied: kN * peak.Kilonewton, By: "B. Ek"}).(peak.PointTaken)
			if e.Run != run+1 || e.Indicated != kN*peak.Kilonewton+20*peak.Newton || e.Spread != 0 {
				t.Errorf("point %+v", e)
			}
			keep(e)
		}
		b.refused(peak.TakePoint{At: b.now, Applied: 40 * peak.Kilonewton}) // falls within a run
		b.at(0)
		keep(b.ask(peak.TakePoint{At: b.now, Applied: 0}))
		b.refused(peak.TakePoint{At: b.now, Applied: 0})
	}
	b.m.Step(&peak.Reading{At: b.now, Force: 30 * peak.Kilonewton})
	b.m.Step(&peak.Reading{At: b.now + 20*time.Millisecond, Force: 30 * peak.Kilonewton})
	b.now += 40 * time.Millisecond
	b.refused(peak.TakePoint{At: b.now, Applied: 30 * peak.Kilonewton}) // moves
	b.at(0)
	b.refused(peak.DropPoint{At: b.now})
	keep(b.ask(peak.DropPoint{At: b.now, Why: "the reference was read wrongly"}))

	start := peak.Start{At: b.now}
	for _, e := range records {
		start.Follow(e)
	}
	again := peak.New(set, start)
	was, is := b.m.State().Session, again.State().Session
	if !was.Known || !is.Known || !slices.Equal(was.Value.Points, is.Value.Points) || len(is.Value.Points) != 5 {
		t.Errorf("gone on from the records: %+v, was %+v", is, was)
	}
	again.Step(peak.CancelVerification{At: b.now, Why: "power failed"})
	if again.State().Session.Known {
		t.Error("a cancelled session is still there")
	}

	v := verified()
	v.On, v.Until = b.now, b.now+time.Hour
	wrong := v
	wrong.Until = wrong.On
	b.refused(peak.RecordVerification{At: b.now, Verification: wrong})
	e := b.ask(peak.RecordVerification{At: b.now, Verification: v, Points: was.Value.Points}).(peak.ForceVerified)
	s := b.m.State()
	if s.Session.Known || len(s.Verified) != 1 || s.Verified[0] != e.Verification || len(e.Points) != 5 {
		t.Errorf("state %+v after %+v", s.Verified, e)
	}
	newer := v
	newer.To = 100 * peak.Kilonewton
	b.ask(peak.RecordVerification{At: b.now, Verification: newer})
	if s := b.m.State(); len(s.Verified) != 1 || s.Verified[0] != newer {
		t.Errorf("a newer verification did not replace the older: %+v", s.Verified)
	}
	// The clock is set an hour on: what counted for an hour counts no longer.
	b.ask(peak.SetClock{At: b.now, By: time.Hour + time.Second})
	if s := b.m.State(); s.Verified[0].Until >= b.now {
		t.Errorf("until %v at %v", s.Verified[0].Until, b.now)
	}
	if v != e.Verification {
		t.Error("the event changed afterwards")
	}
}
