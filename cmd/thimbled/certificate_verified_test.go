package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/peak/decision"
	"thimbled/peak/verify"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

const (
	verifiedDir    = "../../testdata/certificate/verified"
	verifiedConfig = "../../testdata/certificate/dock-3-verified.toml"
	verifiedKey    = "../../testdata/certificate/seal-key.pub"
)

// TestVerifiedStoryIsSound checks the journal of a verified bench: its chain, its
// signatures, and every figure from the traces alone.
func TestVerifiedStoryIsSound(t *testing.T) {
	if *writeStory {
		if err := os.RemoveAll(verifiedDir); err != nil {
			t.Fatal(err)
		}
		writeVerifiedJournal(t, verifiedDir, verifiedKey)
	}
	var out, errs strings.Builder
	status := run(t.Context(), streams{&out, &errs}, []string{"audit", "--key", verifiedKey, "--recompute", verifiedDir})
	if status != exitDone || !strings.Contains(out.String(), "is sound") {
		t.Fatalf("audit: status %d, %s%s", status, &out, &errs)
	}
}

// benchStory writes a journal by the real core and the real writer, on a clock and with
// noise of its own. Its bench reads a raw signal in two ranges, is verified, has
// its parameters on record and seals its journal.
type benchStory struct {
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

	config     *config.Config
	scale      func(raw float64) (peak.Force, peak.Quality)
	parameters parameters
	sealer     sealer
	records    map[string]publish.Record // the start of each pull, by its job and number
	friction   float64                   // how much higher the pressure is than it should be
}

// profile is a pull of the story, in kilonewtons and seconds.
type profile struct {
	top, hold float64
}

func newBenchStory(t *testing.T, dir, key string) *benchStory {
	private := filepath.Join(t.TempDir(), "key")
	if err := seal.MakeKey(private, "dock-3"); err != nil {
		t.Fatal(err)
	}
	k, err := seal.ReadKey(private)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(key, []byte(k.Public().SSH()+" dock-3\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	s := &benchStory{
		t: t, dir: dir, clock: publish.Clock{Epoch: time.Date(2026, 4, 7, 6, 40, 0, 0, time.UTC)},
		chance: rand.New(rand.NewPCG(4, 0)), traces: publish.Traces{},
		parameters: parameters{known: map[string]string{}}, sealer: sealer{key: k, origin: "thimbled/bench/dock-3"},
		records: map[string]publish.Record{}, friction: 1,
	}
	var opened journal.Opened
	s.journal, opened, err = journal.Open(dir, journal.Options{
		Bench: "dock-3", Tally: newEdge, Now: func() time.Time { return s.clock.Wall(s.at) },
	})
	if err != nil {
		t.Fatal(err)
	}
	s.sealer.goOn(opened)
	return s
}

// daemon starts the daemon with a config.
func (s *benchStory) daemon(c *config.Config, from peak.Start) {
	to, err := rescalingOf(c)
	if err != nil {
		s.t.Fatal(err)
	}
	s.config, s.scale = c, to.of
	s.machine = peak.New(c.Settings(), from)
	s.record(peak.DaemonStarted{At: s.at, Version: "0.2.0", ConfigDigest: c.Digest, CleanBefore: true})
	if e, changed := s.parameters.start(c, "0.2.0"); changed {
		e.At = s.at
		s.record(e)
	}
	s.seal(sealStarted)
}

func (s *benchStory) record(events ...peak.Event) {
	for _, e := range events {
		if r, ok := e.(peak.CommandRefused); ok {
			s.t.Fatalf("refused: %s", r.Why)
		}
		if ended, ok := e.(peak.PullEnded); ok {
			trace, err := s.trace.Close()
			if err != nil {
				s.t.Fatal(err)
			}
			s.traces[ended.Pull], s.trace = trace, nil
		}
		r, err := s.journal.Append(publish.Encode(e, s.clock, s.traces))
		if err != nil {
			s.t.Fatal(err)
		}
		switch e := e.(type) {
		case peak.PullStarted:
			s.records[fmt.Sprintf("%s %d", e.Job, e.Pull)] = r
			s.begin(r.Number)
		case peak.TestEnded:
			s.seal(sealTestEnded)
		case peak.ItemInspected:
			s.seal(sealInspected)
		}
		if changed, ok := e.(peak.ParametersChanged); ok {
			s.parameters.follow(changed)
		}
	}
}

func (s *benchStory) seal(why string) {
	e, err := s.sealer.event(s.at, why)
	if err != nil {
		s.t.Fatal(err)
	}
	s.record(e)
}

func (s *benchStory) begin(number uint64) {
	var err error
	if s.trace, err = s.journal.StartTrace(number, true); err != nil {
		s.t.Fatal(err)
	}
	for _, r := range s.recent {
		s.keep(r)
	}
}

// keep writes a reading with the raw value that it was made of.
func (s *benchStory) keep(r peak.Reading) {
	if err := s.trace.Add(r, rawOf(r.Force)); err != nil {
		s.t.Fatal(err)
	}
}

// rawOf is the raw value, in mV/V, that the first config makes a force of.
func rawOf(f peak.Force) float64 { return (float64(f)/1e6 - 0.1) / 125 }

func (s *benchStory) read(kilonewtons float64) {
	s.at += 50 * time.Millisecond
	newtons := kilonewtons*1000 + 104 + (5+0.2*kilonewtons)*s.chance.NormFloat64()
	force, quality := s.scale(math.Round((newtons/1000-0.1)/125/0.00008) * 0.00008)
	r := peak.Reading{At: s.at, Force: force, Quality: quality}
	if s.at%(100*time.Millisecond) == 0 {
		r.Pressure = peak.Known(peak.Pressure(math.Round(kilonewtons*47.2*s.friction)) * 1000)
	}
	events := s.machine.Step(&r)
	const preroll = 120
	if s.recent = append(s.recent, r); len(s.recent) > preroll {
		s.recent = s.recent[1:]
	}
	starts := len(events) > 0 && events[0].Type() == peak.TypePullStarted
	if s.trace != nil && !starts {
		s.keep(r)
	}
	s.record(events...)
}

func (s *benchStory) rest(seconds float64) {
	for range int(20 * seconds) {
		s.read(0)
	}
}

// pull raises the load in 8 s, holds it while it sags a little, and releases it.
func (s *benchStory) pull(p profile) {
	for i := range 160 {
		s.read(p.top * math.Pow(math.Sin(float64(i)/160*math.Pi/2), 1.4))
	}
	for i := range int(20 * p.hold) {
		held := float64(i) / 20
		s.read(p.top * (1 - 0.0004*math.Mod(held, 9)))
	}
	for i := range 60 {
		s.read(p.top * (1 - float64(i)/60))
	}
	s.rest(4)
}

func (s *benchStory) step(in peak.Input) { s.record(s.machine.Step(in)...) }

func (s *benchStory) open(j peak.Job) {
	s.rest(6)
	s.step(peak.SetZero{At: s.at, By: j.Operator})
	s.step(peak.OpenJob{At: s.at, By: j.Operator, Job: j})
	s.rest(3)
}

func (s *benchStory) inspect(f peak.ItemInspected) {
	s.at += 4 * time.Minute
	f.By = f.Inspector
	s.step(peak.Inspect{At: s.at, Finding: f})
}

// constant lets the indicator's calibration constant be another.
func (s *benchStory) constant(n int64) {
	s.step(peak.Constant{At: s.at, Value: n})
	if e, changed := s.parameters.set(s.at, "the load indicator", constantIs(n)); changed {
		s.record(e)
	}
}

// verify compares a range with the reference at forces in kilonewtons, three times.
func (s *benchStory) verify(name string, division, uncertainty float64, forces ...float64) {
	var readings []verify.Reading
	for run := 1; run <= 3; run++ {
		for _, f := range append(forces, 0) {
			shown := 1000*f*(1+0.0004*float64(run)-0.0015*f/(f+40)) + 12*s.chance.NormFloat64()
			readings = append(readings, verify.Reading{Run: run, Applied: 1000 * f, Indicated: division * math.Round(shown/division)})
		}
	}
	standard := peak.Standard{Name: "reference cell RC-7, report 2026-114", Uncertainty: peak.Ratio(uncertainty * float64(peak.Percent))}
	j := judged{verify.Judge(verify.Session{Readings: readings, Resolution: division, Capacity: 250e3, Standard: standard, Unit: peak.UnitKN})}
	if !j.Verified {
		s.t.Fatalf("not verified: %v", j.Findings)
	}
	v := j.verification()
	v.Range, v.Serial, v.Scale, v.Constant = name, s.config.Settings().Serial, s.config.Settings().Scale, s.machine.State().Constant
	v.Standard, v.By, v.On = standard, "Łucja Nørgård", s.at
	v.Until = untilAfter(s.clock.Wall(s.at), 12).Sub(s.clock.Epoch)
	points := j.points(s.at)
	for i := range points {
		points[i].At -= time.Duration(len(points)-i) * 40 * time.Second
		points[i].Spread = peak.Force(division) * peak.Newton
	}
	s.step(peak.RecordVerification{At: s.at, Verification: v, Points: points})
	if e, changed := s.parameters.set(s.at, v.By, verificationIs(v, s.clock)); changed {
		s.record(e)
	}
}

// byUncertainty guards the pulls of a job by the uncertainty that is known beforehand.
func (s *benchStory) byUncertainty(j peak.Job) peak.Job {
	set, verified := s.config.Settings(), s.machine.State().Verified
	for i := range j.Planned {
		r := &j.Planned[i].Requirement
		r.Rule = peak.GuardedByUncertainty
		u, known := set.Beforehand(r.Asked, verified)
		limit, limitKnown := set.Beforehand(r.Limit.Value, verified)
		var err error
		if r.Guard, err = decision.GuardOf(u.Expanded(), r.Asked); err != nil || !known || !limitKnown {
			s.t.Fatalf("no guard: %v", err)
		}
		r.LimitGuard = limit.Expanded()
	}
	return j
}

// correct judges a pull again with the scale of the config in force.
func (s *benchStory) correct(job string, old peak.PullEnded, by *judgedBy, why string) {
	to, err := rescalingOf(s.config)
	if err != nil {
		s.t.Fatal(err)
	}
	started, err := publish.Decode(s.records[fmt.Sprintf("%s %d", job, old.Pull)].Event, sinceEpoch, publish.Traces{})
	if err != nil {
		s.t.Fatal(err)
	}
	v := evidence{judgedBy: by, started: started.(peak.PullStarted), at: started.When(), trace: filepath.Join(s.dir, s.traces[old.Pull].Name)}
	again, err := v.corrected(to)
	if err != nil {
		s.t.Fatal(err)
	}
	again = moved(again, old.StartedAt-again.StartedAt)
	s.step(peak.CorrectPull{At: s.at, Corrected: peak.PullCorrected{
		At: s.at, Old: old, New: again, Scale: to.name, Why: why, By: "Łucja Nørgård",
	}})
}

// judgedBySinceEpoch is what pulls are judged by now, by the count of the Unix epoch.
func (s *benchStory) judgedBySinceEpoch() *judgedBy {
	st := s.machine.State()
	by := &judgedBy{settings: s.config.Settings(), constant: st.Constant}
	for _, v := range st.Verified {
		shift := s.clock.Epoch.Sub(sinceEpoch.Epoch)
		v.On += shift
		v.Until += shift
		by.verified = append(by.verified, v)
	}
	return by
}

// lastPull is the pull that ended last.
func (s *benchStory) lastPull() peak.PullEnded {
	for number := s.journal.Last(); ; number-- {
		r, err := s.journal.Next(s.t.Context(), number-1)
		if err != nil {
			s.t.Fatal(err)
		}
		if r.Type == peak.TypePullEnded {
			e, err := publish.Decode(r.Event, s.clock, publish.Traces{})
			if err != nil {
				s.t.Fatal(err)
			}
			return e.(peak.PullEnded)
		}
	}
}

func (s *benchStory) close() {
	if err := s.journal.Close(); err != nil {
		s.t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(s.dir, "lock")); err != nil {
		s.t.Fatal(err)
	}
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

func shackleJob(id, item string, kilonewtons float64) peak.Job {
	asked := peak.Force(kilonewtons * float64(peak.Kilonewton))
	j := slingJob(id, item, "whole item")
	j.Kind, j.Description, j.WLL, j.Length, j.Legs = "bow shackle", "25 mm pin, screw pin", peak.Known(asked/2), peak.Maybe[peak.Length]{}, 0
	j.Ambient = "19 °C, dry"
	j.Planned[0].Requirement = peak.Requirement{
		Asked: asked, Limit: peak.Known(asked + asked/8), Hold: 15 * time.Second, Rule: peak.SimpleAcceptance,
	}
	return j
}

// writeVerifiedJournal writes the journal of a verified bench: tests whose verdicts rest
// on the verification, one of two pulls with a change between them, one corrected.
func writeVerifiedJournal(t *testing.T, dir, key string) {
	c, err := loadConfig(verifiedConfig)
	if err != nil {
		t.Fatal(err)
	}
	s := newBenchStory(t, dir, key)
	s.daemon(c, peak.Start{})
	s.constant(4127)
	s.at += 95 * time.Minute
	s.rest(3)
	s.verify("high", 50, 0.06, 40, 80, 120, 160, 200)

	s.open(s.byUncertainty(shackleJob("j-201", "SH-0301", 100)))
	s.pull(profile{top: 101.4, hold: 18})
	s.inspect(peak.ItemInspected{Job: "j-201", Item: "SH-0301", Inspector: inspector, Accepted: true, Examined: "pin, bow, thread; opening measured before and after", Notes: "no lasting change of the opening"})

	s.open(shackleJob("j-202", "SH-0302", 210))
	s.pull(profile{top: 214, hold: 18})
	s.step(peak.FinishJob{At: s.at, By: "Anaïs Ferré"})

	s.open(shackleJob("j-203", "SH-0303", 30))
	s.pull(profile{top: 30.6, hold: 18})
	s.step(peak.FinishJob{At: s.at, By: "Anaïs Ferré"})
	s.rest(5)
	s.verify("low", 10, 0.06, 8, 16, 24, 36, 48)

	pair := slingJob("j-204", "HL-0311", "leg 1", "leg 2, with the master link")
	pair.Legs = 2
	s.open(pair)
	s.pull(profile{top: 102.6, hold: 23})
	s.constant(4131)
	s.pull(profile{top: 102.8, hold: 23})
	s.constant(4127)
	s.step(peak.RepeatPull{At: s.at, By: "Anaïs Ferré", Why: "the indicator had been set to another constant; set back"})
	s.rest(6)
	s.pull(profile{top: 102.7, hold: 23})
	s.inspect(peak.ItemInspected{Job: "j-204", Item: "HL-0311", Inspector: inspector, Accepted: true, Examined: "both legs, master link, hooks, latches"})
	s.doubtful()
	s.record(peak.DaemonStopped{At: s.at, Clean: true, Why: "asked to stop"})
	s.seal(sealStopped)
	s.close()
}

// doubtful writes tests that are no plain certificates: force and pressure disagree, a
// wrong scale is corrected, the verification is overdue.
func (s *benchStory) doubtful() {
	s.friction = 1.12
	s.open(shackleJob("j-205", "SH-0305", 60))
	s.pull(profile{top: 61.2, hold: 18})
	s.step(peak.FinishJob{At: s.at, By: "Anaïs Ferré"})
	s.friction = 1

	s.open(slingJob("j-206", "HL-0312", "whole item"))
	s.pull(profile{top: 102.4, hold: 23})
	late := s.lastPull()
	by := s.judgedBySinceEpoch()
	s.inspect(peak.ItemInspected{Job: "j-206", Item: "HL-0312", Inspector: inspector, Accepted: true, Examined: "wires, eyes, ferrules"})

	s.at += 390 * 24 * time.Hour
	s.recent = nil
	s.rest(3)
	s.open(slingJob("j-207", "HL-0313", "whole item"))
	s.pull(profile{top: 103.2, hold: 23})
	s.step(peak.FinishJob{At: s.at, By: "Anaïs Ferré"})
	s.rest(6)
	st := s.machine.State()
	s.record(peak.DaemonStopped{At: s.at, Clean: true, Why: "asked to stop"})
	s.seal(sealStopped)
	s.at += time.Minute
	s.recent = nil
	s.daemon(swappedScale(s.t), peak.Start{At: s.at, LastPull: st.Pull, Zero: st.Zero, Tare: st.Tare, Verified: st.Verified, Constant: st.Constant})
	s.rest(3)
	s.correct("j-206", late, by, "the scale of the new load cell was entered with two digits swapped")
	s.rest(1)
	s.seal(sealDaily)
}

// swappedScale is the config with another scale.
func swappedScale(t *testing.T) *config.Config {
	wrong, err := os.ReadFile(verifiedConfig)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "dock-3.toml")
	if err := os.WriteFile(path, []byte(strings.Replace(string(wrong), "scale = 125 ", "scale = 122.6 ", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := loadConfig(path)
	if err != nil {
		t.Fatal(err)
	}
	return c
}
