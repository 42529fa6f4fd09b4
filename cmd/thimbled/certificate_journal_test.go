package main

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// story writes a journal by the real core and the real writer, on a clock and
// with noise of its own, so that it comes out the same each time.
type story struct {
	t       *testing.T
	dir     string
	clock   publish.Clock
	at      time.Duration
	chance  *rand.Rand
	machine *peak.Machine
	journal *journal.Writer
	trace   *journal.TraceWriter
	traces  publish.Traces
	recent  []peak.Reading
}

// profile is a pull of the story, in kilonewtons and seconds.
type profile struct {
	top, hold float64
	lostAfter float64 // seconds of hold after which the load is lost at once; 0: never
	gapAfter  float64 // seconds of hold after which nothing is read for 1.5 s; 0: never
}

func newStory(t *testing.T, dir string, seed uint64) *story {
	s := &story{
		t: t, dir: dir, clock: publish.Clock{Epoch: time.Date(2026, 3, 2, 7, 55, 0, 0, time.UTC)},
		chance: rand.New(rand.NewPCG(seed, 0)), traces: publish.Traces{},
	}
	c, err := loadConfig("../../testdata/certificate/dock-3.toml")
	if err != nil {
		t.Fatal(err)
	}
	s.machine = peak.New(c.Settings(), peak.Start{})
	s.journal, _, err = journal.Open(dir, journal.Options{Bench: "dock-3", Now: func() time.Time { return s.clock.Wall(s.at) }})
	if err != nil {
		t.Fatal(err)
	}
	s.settle([]peak.Event{peak.DaemonStarted{Version: "0.1.0", ConfigDigest: c.Digest, CleanBefore: true}})
	return s
}

func (s *story) close() {
	if err := s.journal.Close(); err != nil {
		s.t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(s.dir, "lock")); err != nil {
		s.t.Fatal(err)
	}
}

func (s *story) settle(events []peak.Event) {
	for _, e := range events {
		if r, ok := e.(peak.CommandRefused); ok {
			s.t.Fatalf("refused: %s", r.Why)
		}
		if ended, ok := e.(peak.PullEnded); ok {
			trace, err := s.trace.Close()
			if err != nil {
				s.t.Fatal(err)
			}
			s.traces[ended.Pull] = trace
		}
		r, err := s.journal.Append(publish.Encode(e, s.clock, s.traces))
		if err != nil {
			s.t.Fatal(err)
		}
		if _, ok := e.(peak.PullStarted); ok {
			s.startTrace(r.Number)
		}
	}
}

func (s *story) startTrace(number uint64) {
	var err error
	if s.trace, err = s.journal.StartTrace(number, false); err != nil {
		s.t.Fatal(err)
	}
	for _, r := range s.recent {
		s.add(r)
	}
}

func (s *story) add(r peak.Reading) {
	if err := s.trace.Add(r, math.NaN()); err != nil {
		s.t.Fatal(err)
	}
}

// read gives the core one reading of so many kilonewtons, a tenth of a second
// after the last.
func (s *story) read(kilonewtons float64) {
	s.at += 100 * time.Millisecond
	newtons := kilonewtons*1000 + 104 + (7+0.3*kilonewtons)*s.chance.NormFloat64()
	r := peak.Reading{At: s.at, Force: 50 * peak.Newton * peak.Force(math.Round(newtons/50))}
	if s.at%(200*time.Millisecond) == 0 {
		r.Pressure = peak.Known(peak.Pressure(math.Round(kilonewtons*47.8)) * 1000)
	}
	events := s.machine.Step(&r)
	const preroll = 60
	if s.recent = append(s.recent, r); len(s.recent) > preroll {
		s.recent = s.recent[1:]
	}
	if s.trace != nil {
		pulling := s.machine.State().InPull
		starts := len(events) > 0 && events[0].Type() == peak.TypePullStarted
		if pulling && !starts {
			s.add(r)
		}
	}
	s.settle(events)
}

func (s *story) rest(seconds float64) {
	for range int(10 * seconds) {
		s.read(0)
	}
}

// pull raises the load in 8 s, holds it while it sags a little, and releases it.
func (s *story) pull(p profile) {
	for i := range 80 {
		s.read(p.top * math.Pow(math.Sin(float64(i)/80*math.Pi/2), 1.4))
	}
	for i := range int(10 * p.hold) {
		held := float64(i) / 10
		if p.lostAfter > 0 && held >= p.lostAfter {
			s.rest(4)
			return
		}
		if p.gapAfter > 0 && held >= p.gapAfter && held < p.gapAfter+1.5 {
			s.at += 100 * time.Millisecond
			continue
		}
		s.read(p.top * (1 - 0.0004*math.Mod(held, 9)))
	}
	for i := range 30 {
		s.read(p.top * (1 - float64(i)/30))
	}
	s.rest(4)
}

func (s *story) open(j peak.Job) {
	s.rest(6)
	s.settle(s.machine.Step(peak.SetZero{At: s.at, By: j.Operator}))
	s.settle(s.machine.Step(peak.OpenJob{At: s.at, By: j.Operator, Job: j}))
	s.rest(3)
}

func (s *story) inspect(f peak.ItemInspected) {
	s.at += 4 * time.Minute
	f.By = f.Inspector
	s.settle(s.machine.Step(peak.Inspect{At: s.at, Finding: f}))
}

func demand(hold time.Duration) peak.Requirement {
	return peak.Requirement{Asked: 100 * peak.Kilonewton, Guard: peak.Percent, Limit: peak.Known(112 * peak.Kilonewton), Hold: hold}
}

func slingJob(id, item string, pulls ...string) peak.Job {
	j := peak.Job{
		ID: id, Item: item, Kind: "wire rope sling", Description: "6x36 wire rope, 16 mm, soft eyes with ferrules", WLL: peak.Known(50 * peak.Kilonewton),
		Length: peak.Known(4500 * peak.Millimetre), Legs: 1, Owner: "Fährhafen Südmole", Operator: "Anaïs Ferré",
		Source: "twice the WLL, as the loft does for slings",
	}
	for _, label := range pulls {
		j.Planned = append(j.Planned, peak.Planned{Label: label, Requirement: demand(20 * time.Second)})
	}
	return j
}

const inspector = "Łucja Nørgård"

// writeCertificateJournal writes the journal that certificates are tested with:
// seven tests, each with another end.
func writeCertificateJournal(t *testing.T, dir string) {
	s := newStory(t, dir, 3)
	s.open(slingJob("j-101", "HL-0117", "whole item"))
	s.pull(profile{top: 103.2, hold: 23})
	s.inspect(peak.ItemInspected{Job: "j-101", Item: "HL-0117", Inspector: inspector, Accepted: true, Examined: "wires, eyes, ferrules, tag; length measured before and after", Notes: "no broken wires; lasting stretch below 0.5 %"})

	s.open(slingJob("j-102", "HL-0118", "whole item"))
	s.pull(profile{top: 102.9, hold: 22})

	s.open(slingJob("j-103", "HL-0119", "whole item"))
	s.pull(profile{top: 102.4, hold: 9})
	s.settle(s.machine.Step(peak.FinishJob{At: s.at, By: "Anaïs Ferré"}))
	s.inspect(peak.ItemInspected{Job: "j-103", Item: "HL-0119", Inspector: inspector, Accepted: true, Examined: "wires and eyes"})

	s.open(slingJob("j-104", "HL-0120", "whole item"))
	s.pull(profile{top: 102.7, hold: 20, lostAfter: 11})
	s.inspect(peak.ItemInspected{Job: "j-104", Item: "HL-0120", Inspector: inspector, Examined: "what is left of the lower eye", Notes: "ferrule slipped, strands drawn out"})

	long := slingJob("j-105", "HL-0121", "end A", "end B, turned end for end")
	long.Length, long.Description = peak.Known(12*peak.Metre), "6x36 wire rope, 16 mm, thimble at one end"
	long.Rule, long.Source = "loft-rope-2x", "2 x WLL, held for 20 s, the loft's own rule of 2026"
	s.open(long)
	s.pull(profile{top: 102.8, hold: 22})
	s.rest(6)
	s.pull(profile{top: 102.6, hold: 7})
	s.settle(s.machine.Step(peak.RepeatPull{At: s.at, By: "Anaïs Ferré", Why: "the anchor pin had not seated; eased off and set again"}))
	s.rest(6)
	s.pull(profile{top: 103.4, hold: 23})
	s.inspect(peak.ItemInspected{Job: "j-105", Item: "HL-0121", Inspector: inspector, Examined: "wires, eyes, thimble", Notes: "thimble seated askew; to be set right"})
	s.inspect(peak.ItemInspected{Job: "j-105", Item: "HL-0121", Inspector: "Bram van Œvelen", Accepted: true, Examined: "wires, eyes, thimble", Notes: "thimble set right"})

	s.open(slingJob("j-106", "HL-0122", "whole item"))
	s.pull(profile{top: 103.1, hold: 26, gapAfter: 22})
	s.settle(s.machine.Step(peak.FinishJob{At: s.at, By: "Anaïs Ferré"}))
	s.inspect(peak.ItemInspected{Job: "j-106", Item: "HL-0122", Inspector: inspector, Accepted: true, Examined: "wires, eyes, ferrules", Notes: "the line was pulled out after the hold was complete; the curve is whole up to there"})

	s.open(slingJob("j-107", "HL-0123", "whole item"))
	s.pull(profile{top: 113.6, hold: 21})
	s.inspect(peak.ItemInspected{Job: "j-107", Item: "HL-0123", Inspector: inspector, Examined: "wires, eyes, ferrules", Notes: "overloaded; to be condemned"})
	s.close()
}
