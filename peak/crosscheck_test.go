package peak_test

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"thimbled/peak"
)

// withCylinder is the bench of the stories with the cylinder of the simulated one.
func withCylinder() peak.Settings {
	s := dock3()
	s.Cylinder = peak.Known(peak.Cylinder{
		Bore: 200 * peak.Millimetre, Rod: 110 * peak.Millimetre, Friction: 5 * peak.Percent,
		SealFriction: 2500 * peak.Newton, ReadingError: 2500 * peak.Newton, Unfollowed: peak.Bar / 2,
	})
	return s
}

// TestNoAllocationPerComparison holds a load with noise and a pressure every 100 ms.
func TestNoAllocationPerComparison(t *testing.T) {
	m := peak.New(withCylinder(), peak.Start{})
	var r peak.Reading
	n := 0
	step := func() {
		n++
		r.At += 20 * time.Millisecond
		r.Force = 50*peak.Kilonewton + peak.Force(n*37%400)*peak.Newton
		r.Pressure = peak.Maybe[peak.Pressure]{}
		if n%5 == 0 {
			r.Pressure = peak.Known(23*peak.Bar + peak.Pressure(n*91%20000))
		}
		m.Step(&r)
	}
	for range 1000 {
		step()
	}
	if a := testing.AllocsPerRun(5000, step); a != 0 {
		t.Errorf("%v allocations per reading", a)
	}
	if s := m.State(); !s.InPull || s.Alarm.Known {
		t.Errorf("in pull %v, alarm %+v", s.InPull, s.Alarm)
	}
}

// flatReadings rise to 60 kN, then the value stays and the pressure rises on.
func flatReadings() (out []peak.Reading) {
	for i := range 1000 {
		at := time.Duration(i) * 20 * time.Millisecond
		force := min(max(0, peak.Force(i-100)*400*peak.Newton), 60*peak.Kilonewton)
		r := peak.Reading{At: at, Force: force}
		if i%5 == 0 {
			r.Pressure = peak.Known(peak.Pressure(min(max(0, i-100), 400)) * 19 * peak.Kilopascal)
		}
		out = append(out, r)
	}
	return out
}

// TestCopyRaisesTheSameAlarm goes on from a copy made at any moment.
func TestCopyRaisesTheSameAlarm(t *testing.T) {
	readings := flatReadings()
	rest := func(m *peak.Machine, from int) (out []peak.Event) {
		for i := from; i < len(readings); i++ {
			out = append(out, m.Step(&readings[i])...)
		}
		return append(out, m.Stop()...)
	}
	all := 0
	for at := 240; at < 280; at++ {
		m := peak.New(withCylinder(), peak.Start{})
		for i := range at {
			m.Step(&readings[i])
		}
		c := m.Snapshot()
		want := rest(m, at)
		if got := rest(c, at); !reflect.DeepEqual(got, want) {
			t.Fatalf("copied at %d: %+v, want %+v", at, got, want)
		}
		for _, e := range want {
			if _, ok := e.(peak.AlarmRaised); ok {
				all++
			}
		}
	}
	if all < 20 {
		t.Errorf("only %d alarms were raised", all)
	}
}

// TestBenchWithoutCylinder judges as if there were no pressure.
func TestBenchWithoutCylinder(t *testing.T) {
	for _, without := range []func(*peak.Settings, *peak.Reading){
		func(s *peak.Settings, _ *peak.Reading) { s.Cylinder = peak.Maybe[peak.Cylinder]{} },
		func(_ *peak.Settings, r *peak.Reading) { r.Pressure = peak.Maybe[peak.Pressure]{} },
	} {
		set := withCylinder()
		without(&set, &peak.Reading{})
		m := peak.New(set, peak.Start{})
		var ended []peak.PullEnded
		for _, r := range flatReadings() {
			without(&set, &r)
			for _, e := range m.Step(&r) {
				if _, ok := e.(peak.AlarmRaised); ok {
					t.Fatalf("%+v", e)
				}
			}
		}
		for _, e := range m.Stop() {
			ended = append(ended, e.(peak.PullEnded))
		}
		if len(ended) != 1 || ended[0].PressureRatio.Known || !slices.Equal(ended[0].Reasons, []peak.Reason{peak.Interrupted}) {
			t.Errorf("ended %+v", ended)
		}
	}
}

// TestNothingGoesOnUnderAnAlarm: no zero is taken while the force is not to be trusted.
func TestNothingGoesOnUnderAnAlarm(t *testing.T) {
	m := peak.New(withCylinder(), peak.Start{})
	at := time.Duration(0)
	for i := range 300 { // no force at all while the pressure rises: nothing has started
		at += 20 * time.Millisecond
		r := peak.Reading{At: at}
		if i%5 == 0 {
			r.Pressure = peak.Known(peak.Pressure(i) * 10 * peak.Kilopascal)
		}
		m.Step(&r)
	}
	s := m.State()
	if !s.Alarm.Known || s.Alarm.Value.Alarm != peak.ForceFlat || s.Net.Known || s.Quality != peak.Stuck || s.Phase != peak.PhaseNotReady || s.InPull {
		t.Errorf("state %+v", s)
	}
	events := m.Step(peak.SetZero{At: at, By: "anna"})
	if refused, ok := events[0].(peak.CommandRefused); !ok || refused.Command != "zero" {
		t.Errorf("%+v", events)
	}
}

// BenchmarkReadingWithCylinder is BenchmarkReading with force and pressure compared.
func BenchmarkReadingWithCylinder(b *testing.B) {
	pull := aPull()
	for i := range pull {
		if i%5 != 0 {
			pull[i].Pressure.Known = false
		}
	}
	set := untracked()
	set.Cylinder = withCylinder().Cylinder
	m := peak.New(set, peak.Start{})
	var shift time.Duration
	var r peak.Reading
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if i == len(pull) {
			i, shift = 0, shift+12*time.Second
		}
		r = pull[i]
		r.At += shift
		m.Step(&r)
	}
}
