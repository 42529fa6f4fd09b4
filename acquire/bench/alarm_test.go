package bench

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"thimbled/peak"
)

// rig reads a simulated bench as the daemon does, in bench time: the indicator every
// 20 ms, the transducer every 100 ms, a tick every 50 ms, each with a phase of its own.
type rig struct {
	simulation *Simulation
	machine    *peak.Machine
	load, oil  time.Duration // the next poll
	tick       time.Duration
	pressure   peak.Maybe[peak.Pressure]
	dead       peak.Quality // of the whole line, while it is not Good
	mute       bool         // a dead line gives no reading at all
	unplugged  time.Duration
	raised     []peak.AlarmRaised
	cleared    []peak.AlarmCleared
	ended      []peak.PullEnded
	stale      int // readings shown while an alarm was on
	rows       []peak.Reading
	settings   peak.Settings
}

func newRig(t *testing.T, script Script, chance *rand.Rand) *rig {
	t.Helper()
	s, err := NewSimulation(Setup{Seed: chance.Uint64(), Script: script}, nil)
	if err != nil {
		t.Fatal(err)
	}
	settings := benchSettings(1)
	settings.Standing.Value.Hold = 2 * time.Second
	phase := func(d time.Duration) time.Duration {
		return time.Duration(chance.Int64N(int64(d/PlantStep))) * PlantStep
	}
	return &rig{
		simulation: s, machine: peak.New(settings, peak.Start{}), settings: settings,
		load: phase(20 * time.Millisecond), oil: phase(100 * time.Millisecond), tick: phase(50 * time.Millisecond),
	}
}

// run lets the script play, or a time of it.
func (r *rig) run(until time.Duration) {
	for !r.simulation.Done() && r.simulation.at < until {
		r.simulation.Step()
		r.look()
	}
}

func (r *rig) look() {
	at, now := r.simulation.at, r.simulation.Now()
	if r.unplugged == 0 && r.simulation.cell.shows != Plugged {
		r.unplugged = at
	}
	if at >= r.oil {
		r.oil += 100 * time.Millisecond
		if r.dead == peak.Good {
			r.pressure = peak.Known(now.Gauge.Pressure)
		}
	}
	if at >= r.load && !(r.dead != peak.Good && r.mute) {
		r.load += 20 * time.Millisecond
		if r.dead != peak.Good { // a poll that fails takes longer
			r.load += 120 * time.Millisecond
		}
		row := peak.Reading{At: at, Force: now.Load.Force, Pressure: r.pressure, Quality: r.quality(now.Load)}
		r.rows = append(r.rows, row)
		r.step(&row)
		r.pressure = peak.Maybe[peak.Pressure]{}
	}
	if at >= r.tick {
		r.tick += 50 * time.Millisecond
		r.step(peak.Tick{At: at})
	}
}

func (r *rig) quality(v Values) peak.Quality {
	switch {
	case r.dead != peak.Good:
		return r.dead
	case v.Status&OverRange != 0:
		return peak.OverRange
	case v.Status&UnderRange != 0:
		return peak.UnderRange
	case v.Status&NotReady != 0:
		return peak.NotReady
	}
	return peak.Good
}

func (r *rig) step(in peak.Input) {
	for _, e := range r.machine.Step(in) {
		switch e := e.(type) {
		case peak.AlarmRaised:
			r.raised = append(r.raised, e)
		case peak.AlarmCleared:
			r.cleared = append(r.cleared, e)
		case peak.PullEnded:
			r.ended = append(r.ended, e)
		}
	}
	if len(r.raised) == len(r.cleared) {
		return
	}
	if s := r.machine.State(); s.Alarm.Known && (s.Net.Known || s.Phase != peak.PhaseNotReady || s.Quality == peak.Good && s.Alarm.Value.Alarm == peak.ForceFlat) {
		r.stale++
	}
}

func script(t *testing.T, text string) Script {
	t.Helper()
	s, err := ParseScript(text)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

const soonEnough = 500 * time.Millisecond

// TestUnpluggedCellRaisesAlarm unplugs the load cell at many moments of a rise, in every
// way an indicator may take it. The alarm must come within half a second of bench time,
// the pull must be void, and no force may be shown meanwhile.
func TestUnpluggedCellRaisesAlarm(t *testing.T) {
	for _, shows := range []NoCell{ShowsOverRange, ShowsUnderRange, ShowsNotReady, ShowsZero, ShowsFrozen} {
		t.Run(shows.String(), func(t *testing.T) {
			t.Parallel()
			chance := rand.New(rand.NewPCG(11, uint64(shows)))
			var late []time.Duration
			for i := range 12 {
				at := 15 + 85*i/12
				r := newRig(t, script(t, fmt.Sprintf(`pull p
					rest 3s; unplug-cell "%d kN" %v; raise "115 kN" over 11s; hold 2s; release 15s
					pull q
					rest 4s; raise "102 kN" over 10s; hold 3s; release 15s
					pull end
					rest 5s`, at, shows)), chance)
				r.run(time.Hour)
				late = append(late, r.check(t, at))
			}
			slices.Sort(late)
			t.Logf("alarm after %v in the middle, at most %v", late[len(late)/2], late[len(late)-1])
			if worst := late[len(late)-1]; worst > soonEnough {
				t.Errorf("an alarm came after %v: %v", worst, late)
			}
		})
	}
}

// check looks at a pull whose cell was unplugged and at the sound one after it.
func (r *rig) check(t *testing.T, at int) time.Duration {
	t.Helper()
	if len(r.raised) != 1 || len(r.cleared) != 1 || len(r.ended) < 2 {
		t.Fatalf("unplugged at %d kN: raised %+v, cleared %+v, %d pulls", at, r.raised, r.cleared, len(r.ended))
	}
	first, last := r.ended[0], r.ended[len(r.ended)-1]
	if first.Verdict != peak.Void || !slices.Contains(first.Reasons, peak.ReadingNotTrusted) {
		t.Errorf("unplugged at %d kN: %s %v", at, first.Verdict, first.Reasons)
	}
	if last.Verdict != peak.Pass {
		t.Errorf("the pull after that is %s %v", last.Verdict, last.Reasons)
	}
	r.judgeAgain(t)
	if r.stale > 0 {
		t.Errorf("unplugged at %d kN: a force was shown %d times", at, r.stale)
	}
	return r.raised[0].At - r.unplugged
}

// judgeAgain gives the rows to a core without the ticks between them, as an audit does: the
// pulls must come to the same.
func (r *rig) judgeAgain(t *testing.T) {
	t.Helper()
	m := peak.New(r.settings, peak.Start{})
	var again []peak.PullEnded
	for i := range r.rows {
		for _, e := range m.Step(&r.rows[i]) {
			if e, ok := e.(peak.PullEnded); ok {
				again = append(again, e)
			}
		}
	}
	for i, e := range again {
		e.DecidedAt = r.ended[i].DecidedAt // a tick may come between
		if !reflect.DeepEqual(e, r.ended[i]) {
			t.Errorf("judged again as\n%+v\nwas\n%+v", e, r.ended[i])
		}
	}
	if len(again) != len(r.ended) {
		t.Errorf("%d pulls again, %d before", len(again), len(r.ended))
	}
}

// TestDeadLineRaisesAlarm lets the line of both instruments die in mid-pull, with polls that
// fail and with no reading at all.
func TestDeadLineRaisesAlarm(t *testing.T) {
	for _, quality := range []peak.Quality{peak.Timeout, peak.Disconnected} {
		for _, mute := range []bool{false, true} {
			chance := rand.New(rand.NewPCG(12, uint64(quality)))
			for range 4 {
				r := newRig(t, script(t, `rest 3s; raise "100 kN" over 10s; hold 6s; release 15s; rest 5s`), chance)
				died := 8*time.Second + time.Duration(chance.Int64N(100))*time.Millisecond
				r.run(died)
				r.dead, r.mute = quality, mute
				r.run(died + 3*time.Second)
				r.dead = peak.Good
				r.run(time.Hour)
				if len(r.raised) != 1 || r.raised[0].At-died > soonEnough || r.raised[0].Alarm != peak.ForceLost || len(r.cleared) != 1 {
					t.Fatalf("%v, mute %v: died at %v, raised %+v, cleared %+v", quality, mute, died, r.raised, r.cleared)
				}
				r.judgeAgain(t)
				if len(r.ended) != 1 || r.ended[0].Verdict != peak.Void || r.stale > 0 {
					t.Errorf("%v, mute %v: %+v, %d stale", quality, mute, r.ended, r.stale)
				}
			}
		}
	}
}

// TestShortSilenceIsAGap: what was not seen for a moment is left to a person, though the
// operator hears of it.
func TestShortSilenceIsAGap(t *testing.T) {
	r := newRig(t, script(t, `rest 3s; raise "102.5 kN" over 10s; hold 6s; release 15s; rest 5s`), rand.New(rand.NewPCG(13, 1)))
	r.run(15 * time.Second)
	r.dead = peak.Timeout
	r.run(15*time.Second + 600*time.Millisecond)
	r.dead = peak.Good
	r.run(time.Hour)
	if len(r.raised) != 1 || len(r.cleared) != 1 || r.ended[0].Verdict != peak.Review || !slices.Equal(r.ended[0].Reasons, []peak.Reason{peak.GapInPull}) {
		t.Errorf("raised %+v, %s %v", r.raised, r.ended[0].Verdict, r.ended[0].Reasons)
	}
}

// TestFrozenInTheHold freezes the value while nobody pumps: the alarm comes when the
// pressure is let down and the force stays.
func TestFrozenInTheHold(t *testing.T) {
	r := newRig(t, script(t, `rest 3s; raise "102.5 kN" over 10s; hold 3s; unplug-cell "50 kN" frozen; sag 5s; release 10s; rest 5s
		pull end
		rest 5s`), rand.New(rand.NewPCG(14, 1)))
	r.run(time.Hour)
	if len(r.raised) != 1 || r.raised[0].Alarm != peak.ForceFlat || len(r.ended) != 1 || r.ended[0].Verdict != peak.Void {
		t.Errorf("raised %+v, ended %+v", r.raised, r.ended)
	}
}

// TestSoundPullsRaiseNothing pulls slowly and briskly, to many levels, with all the friction
// that is allowed for, and lets down slowly and briskly.
func TestSoundPullsRaiseNothing(t *testing.T) {
	chance := rand.New(rand.NewPCG(15, 1))
	for _, friction := range []int{1, 5, 6} {
		for _, seconds := range []int{2, 4, 10, 40} {
			level := 20 + chance.IntN(90)
			r := newRig(t, script(t, fmt.Sprintf(`rest 3s; friction "%d %%"; raise "%d kN" over %ds; hold 4s; lower "%d kN" over %ds; raise "%d kN" over %ds; sag 2s; hold 5s
				release %ds; rest 5s`, friction, level, seconds, level/2, seconds, level, seconds, 2+seconds)), chance)
			settings := benchSettings(1)
			settings.Standing.Value.Asked = 15 * peak.Kilonewton // so that all of it is a hold
			r.machine = peak.New(settings, peak.Start{})
			r.run(time.Hour)
			if len(r.raised) > 0 || len(r.ended) != 1 || slices.Contains(r.ended[0].Reasons, peak.ForcePressureDisagree) {
				t.Errorf("friction %d %%, %d kN in %d s: raised %+v, ended %+v", friction, level, seconds, r.raised, r.ended)
			}
			// Force / (pressure x area) while it rises is what friction leaves; the brisk ones
			// are read too rarely for it.
			ratio, want := r.ended[0].PressureRatio.Value, 100*peak.Percent-peak.Ratio(friction)*peak.Percent
			if d := ratio - want; seconds >= 10 && max(d, -d) > 3*peak.Percent/2 {
				t.Errorf("friction %d %%: the ratio at the peak is %v, want %v", friction, ratio, want)
			}
		}
	}
}

// TestBreakIsNoFalseReading: when the item breaks the pressure goes with the force, so the
// pull is failed and no alarm is raised.
func TestBreakIsNoFalseReading(t *testing.T) {
	chance := rand.New(rand.NewPCG(16, 1))
	for at := 30; at <= 95; at += 5 {
		r := newRig(t, script(t, fmt.Sprintf(`rest 3s; break "%d kN"; raise "102 kN" over 8s; hold 2s; release 10s; rest 5s`, at)), chance)
		r.run(time.Hour)
		if len(r.raised) > 0 || len(r.ended) != 1 || r.ended[0].Verdict != peak.Failed {
			t.Errorf("broken at %d kN: raised %+v, ended %+v", at, r.raised, r.ended)
		}
	}
}
