package bench

import (
	"math"
	"time"

	"thimbled/peak"
)

// jog is how long the operator's hands stay as they are.
const jog = 100 * time.Millisecond

// operator works the plant through a script. Its owner is the simulation.
type operator struct {
	script  Script
	plant   *Plant
	cell    *cell
	item    Item
	notice  func(Upcoming)
	pull    int           // index into the script; len(Pulls) when all is done
	step    int           // index into the pull's steps
	started int           // pulls begun so far
	noticed bool          // the pull in hand has been announced
	entered time.Duration // when the step began
	from    float64       // N, the force then
	level   float64       // N, what the last raise or lower was to
	topping bool          // the hold is being topped up

	friction float64 // of the bench put right, as a part of the hydraulic force
}

// number is the number of the pull in hand, from 1; 0 before the first and
// when all is done.
func (o *operator) number() int {
	if o.done() {
		return 0
	}
	return o.started
}

func (o *operator) done() bool { return o.pull >= len(o.script.Pulls) }

// begin takes up the script's first pull.
func (o *operator) begin(at time.Duration) {
	if !o.done() {
		o.take(at)
	}
}

// take starts the pull in hand with a fresh item and a bench put right.
func (o *operator) take(at time.Duration) {
	o.plant.Mount(o.item)
	o.plant.Rub(o.friction)
	o.cell.shows, o.cell.loose = Plugged, Step{}
	o.started++
	o.step, o.noticed = 0, false
	o.enter(at)
}

// decide looks at the bench and returns what the hands do until the next jog.
func (o *operator) decide(at time.Duration) Controls {
	for !o.done() && o.finished(at) {
		o.advance(at)
	}
	if o.done() {
		return Controls{}
	}
	o.announce(at)
	return o.hands(at)
}

func (o *operator) current() Step { return o.script.Pulls[o.pull].Steps[o.step] }

func (o *operator) advance(at time.Duration) {
	o.step++
	if o.step < len(o.script.Pulls[o.pull].Steps) {
		o.enter(at)
		return
	}
	o.pull++
	if o.done() && o.script.Loop {
		o.pull = 0
	}
	o.begin(at)
}

// enter begins the step in hand.
func (o *operator) enter(at time.Duration) {
	step := o.current()
	o.entered, o.from, o.topping = at, o.plant.Force(), false
	switch step.Do {
	case Raise, Lower:
		o.level = newtons(step.Force)
	case Break:
		o.plant.Weaken(newtons(step.Force))
	case Shift:
		o.cell.shift += step.Force
	case Spike:
		o.cell.spike += step.Force
	case UnplugCell:
		o.cell.loose = step
	case Friction:
		o.plant.Rub(float64(step.Part) / float64(100*peak.Percent))
	}
}

// finished says whether the step in hand is over. Once the item is broken
// nothing but letting down is left. A raise that does not get there is given
// up after three times its time.
func (o *operator) finished(at time.Duration) bool {
	step, since := o.current(), at-o.entered
	switch step.Do {
	case Break, Shift, Spike, UnplugCell, Friction:
		return true
	case Release:
		return since >= step.For && o.plant.Home()
	case Rest:
		return since >= step.For
	}
	if o.plant.Broken() {
		return true
	}
	switch step.Do {
	case Raise:
		return o.plant.Force() >= o.level || since >= 3*step.For+10*time.Second
	case Lower:
		return o.plant.Force() <= o.level
	}
	return since >= step.For
}

func (o *operator) hands(at time.Duration) Controls {
	step := o.current()
	switch step.Do {
	case Raise:
		return Controls{Pump: o.pumpTowards(o.ramp(at, o.level))}
	case Hold:
		return Controls{Pump: o.topUp()}
	case Lower:
		return Controls{Valve: o.valveTowards(o.ramp(at+jog, o.level))}
	case Release:
		return Controls{
			Valve:   o.valveTowards(o.ramp(at+jog, 0)),
			Retract: at-o.entered >= step.For,
		}
	}
	return Controls{}
}

// ramp is the force in newtons that there should be now, on the way to to.
func (o *operator) ramp(at time.Duration, to float64) float64 {
	part := min(1, float64(at-o.entered)/float64(o.current().For))
	return o.from + float64((to-o.from)*part)
}

// pumpTowards jogs the pump if the force is behind, gently near the level.
func (o *operator) pumpTowards(due float64) float64 {
	force := o.plant.Force()
	if force >= due {
		return 0
	}
	if o.level-force < float64(0.02*o.level)+1000 {
		return o.plant.hydraulics.InchFlow
	}
	return o.plant.hydraulics.PumpFlow
}

// topUp jogs gently from half a per cent below the level until it is back.
func (o *operator) topUp() float64 {
	force := o.plant.Force()
	o.topping = force < o.level && (o.topping || force < 0.995*o.level)
	if !o.topping {
		return 0
	}
	return o.plant.hydraulics.InchFlow
}

// valveTowards opens the valve as far as a practised hand would: so much that
// an item as stiff as this one comes down to due within the jog.
func (o *operator) valveTowards(due float64) float64 {
	excess := max(0, o.plant.Force()-due)
	flow := excess / o.item.Stiffness * o.plant.area / jog.Seconds()
	return min(flow, o.plant.hydraulics.ValveFlow)
}

// announce tells once for each pull that it begins.
func (o *operator) announce(at time.Duration) {
	if o.noticed {
		return
	}
	o.noticed = true
	left := time.Duration(0)
	if step := o.current(); o.step == 0 && step.Do == Rest {
		left = step.For - (at - o.entered)
	}
	o.notice(Upcoming{Number: o.started, Pull: o.script.Pulls[o.pull], In: left})
}

func newtons(f peak.Force) float64 { return float64(f) / float64(peak.Newton) }

func force(newtons float64) peak.Force {
	return peak.Force(math.Round(newtons * float64(peak.Newton)))
}
