package bench

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"
)

// Settings describes a bench with its lines.
type Settings struct {
	Setup
	// Speed is bench seconds per real second, up to 1000; 0 for 1. Scripts
	// for more than 10 want [Script.For].
	Speed float64
	// Lines are what the instruments answer on; none for one RTU line in
	// memory named "rs485".
	Lines []LineSettings
	// LoadID and PressureID are the Modbus units; 0 for 1 and 2.
	LoadID, PressureID byte
	// LoadRegisters and PressureRegisters are the register maps; none for
	// [IndicatorRegisters] and [TransducerRegisters].
	LoadRegisters, PressureRegisters []Register
}

const (
	// tick is how often the simulation catches up with the clock.
	tick = 5 * time.Millisecond
	// mostCatchUp bounds that: after a stall the bench goes on where it was.
	mostCatchUp = 250 * time.Millisecond
	mostSpeed   = 1000
)

// Bench is the simulated bench at work: [Bench.Serve] lets its time pass and
// answers on its lines. All other methods may be called from any goroutine.
type Bench struct {
	speed      float64
	simulation *Simulation // its owner is Serve
	truth      atomic.Pointer[Truth]
	faults     *FaultList
	lines      []*Line
	upcoming   chan Upcoming
}

// New makes a bench at bench time 0 and opens its lines.
func New(s Settings) (*Bench, error) {
	s.Setup = s.completed()
	fill(&s.Speed, 1)
	fill(&s.LoadID, 1)
	fill(&s.PressureID, 2)
	if !(s.Speed > 0 && s.Speed <= mostSpeed) {
		return nil, fmt.Errorf("set up bench: a speed of %v is not between 0 and %d", s.Speed, mostSpeed)
	}
	if len(s.Lines) == 0 {
		s.Lines = []LineSettings{{Name: "rs485", Kind: RTU}}
	}
	b := &Bench{speed: s.Speed, faults: NewFaultList(s.Seed), upcoming: make(chan Upcoming, 16)}
	var err error
	if b.simulation, err = NewSimulation(s.Setup, b.announce); err != nil {
		return nil, err
	}
	b.look()
	if err := b.open(s); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// open opens the lines.
func (b *Bench) open(s Settings) error {
	load := LoadUnit(s.LoadID, s.Indicator, func() Values { return b.truth.Load().Load })
	gauge := PressureUnit(s.PressureID, s.Transducer, func() Values { return b.truth.Load().Gauge })
	if len(s.LoadRegisters) > 0 {
		load.Registers = s.LoadRegisters
	}
	if len(s.PressureRegisters) > 0 {
		gauge.Registers = s.PressureRegisters
	}
	for _, settings := range s.Lines {
		if b.Line(settings.Name) != nil {
			return fmt.Errorf("line %s is there twice", settings.Name)
		}
		units := []Unit{load, gauge}
		switch {
		case settings.Kind == Text, settings.On == LoadOnly:
			units = units[:1]
		case settings.On == PressureOnly:
			units = units[1:]
		}
		line, err := NewLine(settings, b.faults, units...)
		if err != nil {
			return err
		}
		b.lines = append(b.lines, line)
	}
	return nil
}

// Serve lets the bench's time pass and answers on all lines until ctx ends,
// which is no error, or a line fails. It closes the lines.
func (b *Bench) Serve(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	failed := make(chan error, len(b.lines))
	var lines sync.WaitGroup
	for _, l := range b.lines {
		lines.Go(func() {
			if err := l.Serve(ctx); err != nil {
				failed <- err
				cancel(err)
			}
		})
	}
	b.run(ctx)
	lines.Wait()
	close(failed)
	return <-failed
}

// Close closes the lines of a bench that is not served.
func (b *Bench) Close() error {
	var problems []error
	for _, l := range b.lines {
		problems = append(problems, l.Close())
	}
	return errors.Join(problems...)
}

// run ties the simulation to the clock.
func (b *Bench) run(ctx context.Context) {
	clock := time.NewTicker(tick)
	defer clock.Stop()
	last, due := time.Now(), time.Duration(0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-clock.C:
		}
		now := time.Now()
		passed := min(now.Sub(last), mostCatchUp)
		last = now
		due += time.Duration(float64(passed) * b.speed)
		b.simulation.Advance(due)
		b.look()
	}
}

func (b *Bench) look() {
	truth := b.simulation.Now()
	b.truth.Store(&truth)
}

// announce hands an announcement on; if nobody takes them, the oldest is lost.
func (b *Bench) announce(u Upcoming) {
	select {
	case b.upcoming <- u:
		return
	default:
	}
	select {
	case <-b.upcoming:
	default:
	}
	b.upcoming <- u
}

// Upcoming announces each pull of the script before its load is raised, so
// that the operator's part in the daemon can be played: open a job, then watch.
func (b *Bench) Upcoming() <-chan Upcoming { return b.upcoming }

// Now is the true state of the bench at the last tick.
func (b *Bench) Now() Truth { return *b.truth.Load() }

// Faults is the list that makes the instruments and lines misbehave.
func (b *Bench) Faults() *FaultList { return b.faults }

// Inject puts a fault in force.
func (b *Bench) Inject(i Injection) error { return b.faults.Inject(i) }

// Line returns the line called name; nil if there is none.
func (b *Bench) Line(name string) *Line {
	for _, l := range b.lines {
		if l.Name() == name {
			return l
		}
	}
	return nil
}

// Functions counts the requests received so far on all lines by function code.
func (b *Bench) Functions() map[byte]int {
	all := map[byte]int{}
	for _, l := range b.lines {
		for code, n := range l.Functions() {
			all[code] += n
		}
	}
	return all
}
