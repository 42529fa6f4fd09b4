package peak_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
)

var rewrite = flag.Bool("rewrite", false, "write what came out into the stories; explain the difference in the commit")

// dock3 is the invented bench of the stories: 250 kN, a division of 50 N.
func dock3() peak.Settings {
	return peak.Settings{
		Capacity: 250 * peak.Kilonewton, Division: 50 * peak.Newton,
		Capture: peak.Capture{
			StartAbove: 5 * peak.Kilonewton, EndBelow: peak.Kilonewton, EndAfter: time.Second,
			MaxGap: 150 * time.Millisecond, SuddenLoss: 20 * peak.Percent, SuddenLossWithin: 100 * time.Millisecond,
		},
		Zero: peak.Zeroing{
			TrackWithin: 25 * peak.Newton, Rate: 25 * peak.Newton, Range: 10 * peak.Kilonewton,
			Motion: 50 * peak.Newton, Settle: time.Second, ShiftLimit: 250 * peak.Newton, PressurisedAbove: 5 * peak.Bar,
		},
	}
}

// A story is a text: lines of what happens, a line "---", and the events that
// come of it. What can happen:
//
//	# a remark
//	require <kN> [limit <kN>] [hold <duration>] [guard <percent>]
//	track off
//	every <duration>          time between readings, 20 ms at first
//	at <N> for <duration>     readings of one force
//	to <N> in <duration>      readings on a straight line
//	one <N>                   one reading
//	bad <quality> <count>     readings that are not good
//	silence <duration>        no reading at all
//	pressure <bar>            read with each reading from here on
//	cylinder                  the bench has one, and what follows are its pressures
//	ratio <percent>           the pressure goes with the force, which is so much of pressure x area
//	flat to <bar> in <duration>  the force stays and the pressure goes on a straight line
//	zero | tare | tare <N>    commands
//	job <id> <kN> pulls <n>   a job with that required force and no hold
//	repeat <why> | finish | cancel <why>
//	assign <pull> <kN> <verdict>
//	weigh <item> | weigh-stop
//	doubt <reason>
//	stop                      the stream ends
type story struct {
	t        *testing.T
	set      peak.Settings
	machine  *peak.Machine
	now      time.Duration
	every    time.Duration
	force    peak.Force
	pressure peak.Maybe[peak.Pressure]
	ratio    int64 // per cent; 0 when the pressure does not go with the force
	out      strings.Builder
}

func TestStories(t *testing.T) {
	paths, err := filepath.Glob("../testdata/peak/*.txt")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no stories found: %v", err)
	}
	for _, path := range paths {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) { tell(t, path) })
	}
}

func tell(t *testing.T, path string) {
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	head, want, ok := strings.Cut(string(text), "\n---\n")
	if !ok && !*rewrite {
		t.Fatal("the story has no --- line")
	}
	s := &story{t: t, set: dock3(), every: 20 * time.Millisecond}
	for n, line := range strings.Split(head, "\n") {
		if err := s.line(line); err != nil {
			t.Fatalf("%s:%d: %v", path, n+1, err)
		}
	}
	got := s.out.String()
	if *rewrite {
		if err := os.WriteFile(path, []byte(strings.TrimSuffix(head, "\n")+"\n---\n"+got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if want == "" {
		t.Fatal("the story expects nothing")
	}
	if got != want {
		t.Errorf("got:\n%swant:\n%s", got, want)
	}
}

func (s *story) line(line string) error {
	f := strings.Fields(line)
	if len(f) == 0 || strings.HasPrefix(line, "#") {
		return nil
	}
	if s.machine == nil && f[0] != "require" && f[0] != "track" && f[0] != "cylinder" {
		s.machine = peak.New(s.set, peak.Start{})
	}
	switch f[0] {
	case "require":
		return s.require(f[1:])
	case "track":
		s.set.Zero.TrackWithin = 0
	case "cylinder":
		s.set.Cylinder = withCylinder().Cylinder
	case "ratio", "flat":
		return s.press(f)
	case "every":
		s.every = s.duration(f[1])
	case "at":
		s.force = s.newtons(f[1])
		s.line2(s.force, s.duration(f[3]))
	case "to":
		s.line2(s.newtons(f[1]), s.duration(f[3]))
	case "one":
		before := s.force
		s.force = s.newtons(f[1])
		s.reading(peak.Good)
		s.force = before
	case "bad":
		q, ok := peak.ParseQuality(f[1])
		if !ok {
			return fmt.Errorf("no quality %q", f[1])
		}
		n, err := strconv.Atoi(f[2])
		if err != nil {
			return err
		}
		for range n {
			s.reading(q)
		}
	case "silence":
		s.now += s.duration(f[1])
	case "pressure":
		bar, err := strconv.ParseFloat(f[1], 64)
		if err != nil {
			return err
		}
		s.ratio, s.pressure = 0, peak.Known(peak.Pressure(bar*float64(peak.Bar)))
	case "zero":
		s.step(peak.SetZero{At: s.now, By: "anna"})
	case "tare":
		c := peak.SetTare{At: s.now, By: "anna"}
		if len(f) > 1 {
			c.Force = peak.Known(s.newtons(f[1]))
		}
		s.step(c)
	case "job":
		n, err := strconv.Atoi(f[4])
		if err != nil {
			return err
		}
		job := peak.Job{ID: f[1], Item: "HL-1"}
		for i := range n {
			requirement := peak.Requirement{Asked: s.newtons(f[2]) * 1000}
			job.Planned = append(job.Planned, peak.Planned{Label: fmt.Sprintf("leg %d", i+1), Requirement: requirement})
		}
		s.step(peak.OpenJob{At: s.now, By: "anna", Job: job})
	case "repeat":
		s.step(peak.RepeatPull{At: s.now, By: "anna", Why: strings.Join(f[1:], " ")})
	case "finish":
		s.step(peak.FinishJob{At: s.now, By: "anna"})
	case "cancel":
		s.step(peak.CancelJob{At: s.now, By: "anna", Why: strings.Join(f[1:], " ")})
	case "assign":
		kn := s.newtons(f[2]) * 1000
		s.step(peak.AssignPull{At: s.now, By: "anna", Ended: peak.PullEnded{
			Pull: int64(s.newtons(f[1]) / peak.Newton), Peak: peak.Known(kn), Verdict: peak.Verdict(f[3]),
		}})
	case "weigh":
		s.step(peak.StartWeighing{At: s.now, By: "anna", Item: strings.Join(f[1:], " ")})
	case "weigh-stop":
		s.step(peak.StopWeighing{At: s.now, By: "anna"})
	case "doubt":
		s.step(peak.Doubt{At: s.now, Reason: peak.Reason(f[1])})
	case "stop":
		s.tellEvents(s.machine.Stop())
	default:
		return fmt.Errorf("cannot %q", f[0])
	}
	return nil
}

func (s *story) require(f []string) error {
	r := peak.Requirement{Asked: s.newtons(f[0]) * 1000}
	for i := 1; i+1 < len(f); i += 2 {
		switch f[i] {
		case "limit":
			r.Limit = peak.Known(s.newtons(f[i+1]) * 1000)
		case "hold":
			r.Hold = s.duration(f[i+1])
		case "guard":
			r.Guard = peak.Ratio(s.newtons(f[i+1]) / peak.Newton * peak.Force(peak.Percent))
		default:
			return fmt.Errorf("cannot require %q", f[i])
		}
	}
	if err := s.set.Check(r); err != nil {
		return err
	}
	s.set.Standing = peak.Known(r)
	return nil
}

// line2 gives readings on a straight line from the last force to a new one.
func (s *story) line2(to peak.Force, in time.Duration) {
	from, n := s.force, int(in/s.every)
	for i := 1; i <= n; i++ {
		s.force = from + (to-from)*peak.Force(i)/peak.Force(n)
		s.reading(peak.Good)
	}
}

// press sets how the pressure goes with the force, or without it.
func (s *story) press(f []string) error {
	if f[0] == "ratio" {
		n, err := strconv.ParseInt(f[1], 10, 64)
		s.ratio = n
		return err
	}
	bar, err := strconv.ParseFloat(f[2], 64)
	if err != nil {
		return err
	}
	to, in := peak.Pressure(bar*float64(peak.Bar)), s.duration(f[4])
	from, n := s.pressure.Value, int(in/s.every)
	s.ratio = 0
	for i := 1; i <= n; i++ {
		s.pressure = peak.Known(from + (to-from)*peak.Pressure(i)/peak.Pressure(n))
		s.reading(peak.Good)
	}
	return nil
}

func (s *story) reading(q peak.Quality) {
	if s.ratio > 0 { // 1 bar on the cylinder's annulus is 2191.26 N
		s.pressure = peak.Known(peak.Pressure(int64(max(0, s.force)) * 10_000 / 219_126 * 100 / s.ratio))
	}
	s.step(&peak.Reading{At: s.now, Force: s.force, Pressure: s.pressure, Quality: q})
	s.now += s.every
}

func (s *story) step(in peak.Input) { s.tellEvents(s.machine.Step(in)) }

func (s *story) tellEvents(events []peak.Event) {
	for _, e := range events {
		s.out.WriteString(draw(e))
	}
}

func (s *story) newtons(w string) peak.Force {
	v, err := strconv.ParseFloat(w, 64)
	if err != nil {
		s.t.Fatal(err)
	}
	return peak.Force(v * 1000)
}

func (s *story) duration(w string) time.Duration {
	d, err := time.ParseDuration(w)
	if err != nil {
		s.t.Fatal(err)
	}
	return d
}

// draw shows an event as a line of a story.
func draw(e peak.Event) string {
	at := fmt.Sprintf("%8.3f ", e.When().Seconds())
	switch e := e.(type) {
	case peak.PullStarted:
		return at + fmt.Sprintf("pull %d starts, zero before %s%s\n", e.Pull, maybe(e.ZeroBefore), jobWord(e.Job, e.Label))
	case peak.HoldReached:
		return at + fmt.Sprintf("pull %d is held for %v\n", e.Pull, e.Hold)
	case peak.PullEnded:
		return at + drawEnd(e)
	case peak.ZeroSet:
		return at + fmt.Sprintf("zero %v -> %v by %s\n", e.Old, e.New, e.By)
	case peak.TareSet:
		return at + fmt.Sprintf("tare %v -> %v by %s\n", e.Old, e.New, e.By)
	case peak.JobOpened:
		return at + fmt.Sprintf("job %s opens, %d pulls, %v\n", e.Job.ID, len(e.Job.Planned), e.Job.Planned[0].Requirement.Required())
	case peak.JobCancelled:
		return at + fmt.Sprintf("job %s is cancelled by %s: %s\n", e.Job, e.By, e.Why)
	case peak.PullRepeated:
		return at + fmt.Sprintf("%s of job %s will be repeated: %s\n", e.Label, e.Job, e.Why)
	case peak.PullAssigned:
		return at + fmt.Sprintf("pull %d is %s of job %s\n", e.Ended.Pull, e.Label, e.Ended.Job)
	case peak.TestEnded:
		var pulls []int64
		for _, a := range e.Attempts {
			pulls = append(pulls, a.Ended.Pull)
		}
		return at + fmt.Sprintf("test %s ends: %s %v, pulls %v\n", e.Job.ID, e.Verdict, e.Reasons, pulls)
	case peak.WeighingStarted:
		return at + fmt.Sprintf("weighing of %s starts\n", e.Item)
	case peak.WeighingStopped:
		return at + fmt.Sprintf("weighing stops after %d lifts\n", e.Lifts)
	case peak.ItemWeighed:
		return at + fmt.Sprintf("lift %d of %s: gross %v, tare %v, net %v, spread %v, stable for %v\n",
			e.Lift, e.Item, e.Gross, e.Tare, e.Net, e.Spread, e.StableFor)
	case peak.AlarmRaised:
		return at + fmt.Sprintf("alarm %s since %v: %s\n", e.Alarm, e.Since, e.Why)
	case peak.AlarmCleared:
		return at + fmt.Sprintf("alarm %s of %v is over\n", e.Alarm, e.Since)
	case peak.CommandRefused:
		return at + fmt.Sprintf("%s refused: %s\n", e.Command, e.Why)
	}
	return at + e.Type() + "\n"
}

func drawEnd(e peak.PullEnded) string {
	ended := "never"
	if e.EndedAt.Known {
		ended = e.EndedAt.Value.String()
	}
	hold := "no hold"
	if e.Hold.From.Known {
		hold = fmt.Sprintf("hold %v from %v to %v", e.Hold.For, e.Hold.From.Value, e.Hold.To.Value)
	}
	gap := ""
	if e.LongestGap > 0 {
		gap = fmt.Sprintf(", gap %v", e.LongestGap)
	}
	ratio := ""
	if e.PressureRatio.Known {
		ratio = fmt.Sprintf(", ratio %v", e.PressureRatio.Value)
	}
	return fmt.Sprintf("pull %d ended at %s: peak %s at %v, highest %v, %s%s, zero after %s, shift %s%s: %s %v%s\n",
		e.Pull, ended, maybe(e.Peak), e.PeakAt, e.Highest, hold, gap, maybe(e.ZeroAfter), maybe(e.ZeroShift()), ratio,
		e.Verdict, e.Reasons, jobWord(e.Job, e.Label))
}

func maybe(f peak.Maybe[peak.Force]) string {
	if !f.Known {
		return "unknown"
	}
	return f.Value.String()
}

func jobWord(id, label string) string {
	if id == "" {
		return ""
	}
	return ", " + label + " of job " + id
}
