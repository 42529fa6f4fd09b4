package main

import (
	"fmt"
	"time"

	"thimbled/peak"
)

const labLoad = 100 * peak.Kilonewton

// shapes are the ways that pulls go on the lab's bench.
var shapes = []struct {
	name string
	pull func(b *lab, top peak.Force)
}{
	{"held", func(b *lab, top peak.Force) { b.to(top, 60); b.stay(130); b.to(0, 30) }},
	{"let go at once", func(b *lab, top peak.Force) { b.to(top, 60); b.stay(130); b.to(0, 1) }},
	{"sagging", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.stay(40)
		b.to(labLoad-2*peak.Kilonewton, 20)
		b.to(top, 20)
		b.stay(60)
		b.to(0, 30)
	}},
	{"with a gap", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.stay(60)
		b.at += 400 * time.Millisecond
		b.stay(120)
		b.to(0, 30)
	}},
	{"with bad polls", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.bad(peak.Timeout, 4)
		b.stay(120)
		b.bad(peak.Garbled, 20)
		b.to(0, 30)
	}},
	{"with a spike", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.stay(60)
		b.load += 40 * peak.Kilonewton
		b.read(peak.Good)
		b.load = top
		b.stay(60)
		b.to(0, 30)
	}},
	{"too far", func(b *lab, _ peak.Force) { b.to(118*peak.Kilonewton, 60); b.stay(110); b.to(0, 30) }},
	{"broken", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.stay(50)
		b.to(30*peak.Kilonewton, 2)
		b.stay(20)
		b.to(0, 20)
	}},
	{"broken late", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.stay(130)
		b.to(40*peak.Kilonewton, 2)
		b.stay(20)
		b.to(0, 20)
	}},
	{"with a shift of zero", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.stay(110)
		b.zero += 600 * peak.Newton
		b.to(0, 30)
		b.stay(120)
		b.zero -= 600 * peak.Newton
	}},
	{"beyond the range", func(b *lab, top peak.Force) { b.to(top, 60); b.bad(peak.OverRange, 2); b.stay(110); b.to(0, 30) }},
	{"jammed", func(b *lab, top peak.Force) { b.jam = true; b.to(top, 60); b.stay(120); b.jam = false; b.to(0, 30) }},
	{"jerked", func(b *lab, top peak.Force) { b.to(top, 1); b.stay(110); b.to(0, 3) }},
	{"a jerk alone", func(b *lab, _ peak.Force) {
		b.to(60*peak.Kilonewton, 1)
		b.stay(2)
		b.to(0, 1)
	}},
	{"while the clock is set", func(b *lab, top peak.Force) {
		b.to(top, 60)
		b.clock(time.Duration(b.chance.IntN(7200)-3600) * time.Second)
		b.stay(110)
		b.to(0, 30)
	}},
	{"let down slowly", func(b *lab, top peak.Force) { b.to(top, 60); b.stay(110); b.to(900*peak.Newton, 40); b.to(0, 150) }},
	{"low", func(b *lab, _ peak.Force) { b.to(12*peak.Kilonewton, 30); b.stay(30); b.to(0, 10) }},
}

// clock sets the wall clock.
func (b *lab) clock(by time.Duration) {
	b.d.loop.clock.Epoch = b.d.loop.clock.Epoch.Add(by)
	b.step(peak.SetClock{At: b.at, By: by})
}

// pull makes one pull after some rest and returns the name of its shape.
func (b *lab) pull() string {
	b.rest()
	s := shapes[b.chance.IntN(len(shapes))]
	s.pull(b, labLoad+peak.Force(b.chance.IntN(6000)+500)*peak.Newton)
	b.stay([]int{3, 40, 52, 60, 120, 200}[b.chance.IntN(6)])
	return s.name
}

// rest is what happens between pulls; often too short for the zero after.
func (b *lab) rest() {
	b.stay([]int{0, 1, 60, 120, 400, 1100}[b.chance.IntN(6)])
	if b.chance.IntN(20) == 0 { // gone for longer than a trace looks back
		b.at += 30 * time.Second
	}
	if b.chance.IntN(9) == 0 {
		b.zero += peak.Force(b.chance.IntN(61)-30) * peak.Newton
		b.stay(120)
	}
	switch b.chance.IntN(12) {
	case 0:
		b.stay(80)
		b.step(peak.SetZero{At: b.at, By: "lab"})
	case 1:
		b.stay(80)
		b.step(peak.SetTare{At: b.at, By: "lab", Force: peak.Known(peak.Force(b.chance.IntN(300)) * peak.Newton)})
	case 2:
		b.clock(time.Duration(b.chance.IntN(20)-10) * time.Second)
	case 3:
		b.weigh()
	}
}

// weigh lifts something with the same load cell.
func (b *lab) weigh() {
	b.step(peak.StartWeighing{At: b.at, By: "lab", Item: "HL-7"})
	b.to(40*peak.Kilonewton, 20)
	b.stay(120)
	b.to(0, 10)
	b.stay(120)
	b.step(peak.StopWeighing{At: b.at, By: "lab"})
}

// job opens a job of one to three pulls, unless one is open.
func (b *lab) job() {
	b.jobs++
	need := peak.Requirement{Asked: labLoad, Limit: peak.Known(112 * peak.Kilonewton), Hold: 2 * time.Second}
	if b.jobs%3 == 0 {
		need.Guard, need.LimitGuard, need.Rule = 5_000, 300*peak.Newton, peak.GuardedByUncertainty
	}
	j := peak.Job{ID: fmt.Sprintf("lab-%d", b.jobs), Item: fmt.Sprintf("HL-%04d", b.jobs)}
	for i := range 1 + b.chance.IntN(3) {
		j.Planned = append(j.Planned, peak.Planned{Label: fmt.Sprint("leg ", i+1), Requirement: need})
	}
	b.step(peak.OpenJob{At: b.at, By: "lab", Job: j})
}

// operate does what an operator may do after a pull.
func (b *lab) operate(last int64) {
	s := b.d.loop.machine.State()
	switch {
	case s.InPull:
	case !s.Job.Known && b.chance.IntN(3) > 0:
		b.job()
		if b.chance.IntN(3) == 0 && s.Verdict == peak.Unassigned && last > 0 {
			b.assign(last)
		}
	case s.Job.Known && !s.Job.Value.Next.Known:
		if b.chance.IntN(2) == 0 {
			b.step(peak.RepeatPull{At: b.at, By: "lab", Why: "slipped"})
		} else {
			b.step(peak.FinishJob{At: b.at, By: "lab"})
		}
	case s.Job.Known && b.chance.IntN(10) == 0:
		b.step(peak.CancelJob{At: b.at, By: "lab", Why: "wrong item"})
	}
}

// assign counts a pull for the job by the daemon's own answer to that request; it may
// refuse.
func (b *lab) assign(pull int64) {
	_ = b.request(b.d.askAssign, fmt.Sprintf(`{"by":"lab","pull":%d}`, pull))
}

// verify puts a verification of the load cell on record.
func (b *lab) verify(from, to peak.Force, until time.Duration) {
	set := b.config.Settings()
	b.step(peak.RecordVerification{At: b.at, Verification: peak.Verification{
		Serial: set.Serial, Scale: set.Scale, From: from, To: to, On: b.at, Until: b.at + until,
		Standard: peak.Standard{Name: "reference 4", Uncertainty: 1200}, MaxError: 3100, Repeatability: 1900, ISOClass: "0.5", By: "lab",
	}})
}

// use makes so many pulls, with everything that happens on a bench in years.
func (b *lab) use(pulls int64) {
	for last := int64(0); last < pulls; last = b.d.loop.machine.State().Pull {
		b.pull()
		b.operate(b.d.loop.machine.State().Pull)
		if b.d.loop.machine.State().InPull {
			b.stay(60)
		}
		switch b.chance.IntN(25 + int(pulls)/20) { // each start reads the whole journal
		case 0:
			b.stay(200)
			b.verify(20*peak.Kilonewton, 250*peak.Kilonewton, time.Duration(1+b.chance.IntN(20))*time.Minute)
		case 1:
			b.stay(200)
			b.verify(20*peak.Kilonewton, 90*peak.Kilonewton, time.Hour)
		case 2:
			b.close()
			b.setConfig("", 80+10*b.chance.IntN(3))
			b.open()
		case 3: // the power fails in a pull
			b.rest()
			b.to(labLoad, 60)
			b.stay(b.chance.IntN(300))
			b.die()
			b.load = 0
			b.setConfig("", 80+10*b.chance.IntN(3))
			b.open()
		}
	}
}
