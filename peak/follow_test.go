package peak_test

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"thimbled/peak"
)

// TestFollow starts a core anew after each recorded event of a test with a repetition, a
// zero, a tare and a weighing, from those events alone, and expects it to know what the
// undisturbed core knows: what stays over a restart is on record.
func TestFollow(t *testing.T) {
	m := peak.New(dock3(), peak.Start{})
	var from peak.Start
	now := time.Duration(0)
	checked := 0
	step := func(in peak.Input) {
		events := slices.Clone(m.Step(in))
		for _, e := range events {
			from.Follow(e)
			checked++
		}
		if len(events) > 0 {
			checkResumed(t, m, from)
		}
	}
	hold := func(force peak.Force, n int) {
		for range n {
			now += 20 * time.Millisecond
			step(&peak.Reading{At: now, Force: force})
		}
	}
	need := peak.Requirement{Asked: 50 * peak.Kilonewton}
	job := peak.Job{ID: "j", Item: "HL-1", Planned: []peak.Planned{{Label: "a", Requirement: need}, {Label: "b", Requirement: need}}}
	hold(300*peak.Newton, 60)
	step(peak.SetZero{At: now, By: "anna"})
	step(peak.StartWeighing{At: now, By: "anna", Item: "HL-0"})
	hold(9*peak.Kilonewton, 80)
	hold(300*peak.Newton, 60)
	step(peak.StopWeighing{At: now, By: "anna"})
	step(peak.SetTare{At: now, By: "anna", Force: peak.Known(100 * peak.Newton)})
	step(peak.OpenJob{At: now, By: "anna", Job: job})
	for _, top := range []peak.Force{40, 60, 60} {
		hold(300*peak.Newton, 80)
		for f := peak.Force(0); f <= top; f += 2 {
			hold(f*peak.Kilonewton, 1)
		}
		for f := top; f > 0; f -= 2 {
			hold(f*peak.Kilonewton, 3)
		}
		hold(400*peak.Newton, 120)
		if top == 40 {
			step(peak.RepeatPull{At: now, By: "anna", Why: "slipped"})
		}
	}
	if checked < 12 || m.State().Job.Known {
		t.Errorf("%d events; the job is open: %v", checked, m.State().Job.Known)
	}
}

func checkResumed(t *testing.T, m *peak.Machine, from peak.Start) {
	t.Helper()
	want, got := m.State(), peak.New(dock3(), from).State()
	if want.InPull {
		return // a pull in hand does not outlive its daemon; it ends as interrupted
	}
	if want.Zero != got.Zero || want.Tare != got.Tare || want.Pull != got.Pull {
		t.Errorf("zero %v, tare %v, pull %d; resumed %v, %v, %d", want.Zero, want.Tare, want.Pull, got.Zero, got.Tare, got.Pull)
	}
	if !reflect.DeepEqual(want.Job, got.Job) {
		t.Errorf("job %+v; resumed %+v", want.Job, got.Job)
	}
	if want.Weighing.Known != got.Weighing.Known || want.Weighing.Value.Lifts != got.Weighing.Value.Lifts {
		t.Errorf("weighing %+v; resumed %+v", want.Weighing, got.Weighing)
	}
}
