package bench

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"thimbled/peak"
)

// Upcoming announces a pull when its first rest begins, so that the operator's
// part can be played before the load is raised.
type Upcoming struct {
	Number int // of the pull, from 1
	Pull   Pull
	In     time.Duration // bench time until the load is raised
}

// Sample is one row of a recorded or invented course of a pull.
type Sample struct {
	At       time.Duration // bench time, rising
	Force    peak.Force    // in the item, as the load cell would sense it
	Pressure peak.Pressure
}

// Truth is the state of the simulated bench, as no instrument could see it.
type Truth struct {
	At       time.Duration // bench time
	Force    peak.Force    // in the item
	Pressure peak.Pressure // in the cylinder
	Pull     int           // number of the scripted pull in hand, from 1; 0 for none
	Load     Values        // what the load indicator shows
	Gauge    Values        // what the pressure transducer shows
}

// Setup describes a bench and what is to happen on it. A zero field means that
// of [Dock3].
type Setup struct {
	Seed       uint64 // of all noise
	Hydraulics Hydraulics
	Item       Item
	Cell       Cell
	Indicator  Indicator
	Transducer Transducer
	Script     Script
	// Trace, if any, is played instead of the plant and the script, each
	// sample standing until the next. The indicator rounds it; there is no
	// noise and no zero beyond what it says itself.
	Trace []Sample
}

// Dock3 is the invented bench dock-3: 250 kN, 8 m, 50 N a division.
var Dock3 = Setup{
	Hydraulics: Hydraulics{
		Bore: 0.200, Rod: 0.110, Stroke: 1.5,
		OilVolume: 0.010, BulkModulus: 1.3e9,
		PumpFlow: 70e-6, InchFlow: 8e-6, ValveFlow: 150e-6, RetractSpeed: 0.02,
		Relief: 140e5, SealFriction: 0.05, Breakaway: 150,
	},
	Item: Item{Stiffness: 5e6, Bedding: 0.3, Creep: 0.03, CreepTime: 20, Slack: 0.010},
	Cell: Cell{
		Zero: 120 * peak.Newton, Drift: 20 * peak.Newton, DriftPeriod: 40 * time.Minute,
		Noise: 6 * peak.Newton,
	},
	Indicator: Indicator{
		Capacity: 250 * peak.Kilonewton, Division: 50 * peak.Newton,
		Every: 20 * time.Millisecond, Constant: 2_000_000,
	},
	Transducer: Transducer{Range: 250 * peak.Bar, Noise: 2 * peak.Kilopascal, Every: 20 * time.Millisecond},
}

// completed fills what is zero with what dock-3 has.
func (s Setup) completed() Setup {
	fill(&s.Hydraulics, Dock3.Hydraulics)
	fill(&s.Item, Dock3.Item)
	fill(&s.Cell, Dock3.Cell)
	fill(&s.Indicator, Dock3.Indicator)
	fill(&s.Transducer, Dock3.Transducer)
	return s
}

func fill[T comparable](field *T, value T) {
	var zero T
	if *field == zero {
		*field = value
	}
}

func (s Setup) validate() error {
	if s.Indicator.Every < PlantStep || s.Transducer.Every < PlantStep {
		return fmt.Errorf("instruments need at least %s between two values", PlantStep)
	}
	if s.Indicator.Capacity <= 0 || s.Transducer.Range <= 0 {
		return errors.New("instruments need a range")
	}
	if len(s.Trace) > 0 && len(s.Script.Pulls) > 0 {
		return errors.New("a trace and a script cannot both be played")
	}
	for i := 1; i < len(s.Trace); i++ {
		if s.Trace[i].At <= s.Trace[i-1].At {
			return fmt.Errorf("sample %d of the trace is not later than the one before", i+1)
		}
	}
	return s.Script.Validate()
}

// Simulation is the bench without its wires: a value that is stepped. It knows
// no clock; the same setup gives the same course.
type Simulation struct {
	at         time.Duration
	plant      *Plant
	operator   operator
	controls   Controls
	cell       cell
	indicator  indicator
	transducer transducer
	oil        *rand.Rand // chance of the transducer's noise
	trace      []Sample   // yet to be played, the one in hand first
	traced     bool
}

// NewSimulation returns the bench at bench time 0. The notice function, if
// any, hears of each pull before it is loaded, from within [Simulation.Step].
func NewSimulation(setup Setup, notice func(Upcoming)) (*Simulation, error) {
	setup = setup.completed()
	if err := setup.validate(); err != nil {
		return nil, fmt.Errorf("set up bench: %w", err)
	}
	if notice == nil {
		notice = func(Upcoming) {}
	}
	s := &Simulation{
		plant:      NewPlant(setup.Hydraulics, setup.Item),
		cell:       cell{Cell: setup.Cell, chance: rand.New(rand.NewPCG(setup.Seed, 1))},
		indicator:  indicator{Indicator: setup.Indicator},
		transducer: transducer{Transducer: setup.Transducer},
		oil:        rand.New(rand.NewPCG(setup.Seed, 2)),
		trace:      setup.Trace,
		traced:     len(setup.Trace) > 0,
	}
	s.operator = operator{script: setup.Script, plant: s.plant, cell: &s.cell, item: setup.Item, notice: notice, friction: setup.Hydraulics.SealFriction}
	s.operator.begin(0)
	s.observe()
	return s, nil
}

// Step lets one [PlantStep] pass.
func (s *Simulation) Step() {
	if !s.traced {
		if s.at%jog == 0 {
			s.controls = s.operator.decide(s.at)
		}
		s.plant.Step(s.controls)
	}
	s.at += PlantStep
	for len(s.trace) > 1 && s.trace[1].At <= s.at {
		s.trace = s.trace[1:]
	}
	s.observe()
}

// Advance steps until the bench time is at least until.
func (s *Simulation) Advance(until time.Duration) {
	for s.at < until {
		s.Step()
	}
}

// Done says whether the script or the trace has come to its end.
func (s *Simulation) Done() bool {
	if s.traced {
		return len(s.trace) == 1 && s.at >= s.trace[0].At
	}
	return s.operator.done()
}

// Now returns the present state.
func (s *Simulation) Now() Truth {
	f, p := s.physics()
	return Truth{
		At: s.at, Force: f, Pressure: p, Pull: s.operator.number(),
		Load: s.indicator.values, Gauge: s.transducer.values,
	}
}

// observe lets each instrument take a new value when it is time.
func (s *Simulation) observe() {
	f, p := s.physics()
	if s.at%s.indicator.Every.Truncate(PlantStep) == 0 {
		if !s.traced {
			f = s.cell.sample(s.at, f)
		}
		if s.cell.feel(f); s.cell.shows != Plugged {
			s.indicator.without(s.cell.shows)
		} else {
			s.indicator.update(f)
		}
	}
	if s.at%s.transducer.Every.Truncate(PlantStep) == 0 {
		if !s.traced {
			p += peak.Pressure(s.oil.NormFloat64() * float64(s.transducer.Noise))
		}
		s.transducer.update(p)
	}
}

// physics is the force and pressure that there really are.
func (s *Simulation) physics() (peak.Force, peak.Pressure) {
	if s.traced {
		if s.at < s.trace[0].At {
			return 0, 0
		}
		return s.trace[0].Force, s.trace[0].Pressure
	}
	return force(s.plant.Force()), peak.Pressure(s.plant.Pressure())
}
