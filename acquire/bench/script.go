package bench

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"thimbled/peak"
)

// Verb is what the operator does in one step of a script.
type Verb string

// The verbs. Times are bench time.
const (
	Rest    Verb = "rest"    // leave everything alone For a time
	Raise   Verb = "raise"   // pump to Force, evenly over For
	Hold    Verb = "hold"    // hold for For, topping up what creeps away
	Sag     Verb = "sag"     // wait for For with the valve closed and do nothing about the creep
	Lower   Verb = "lower"   // let down to Force, evenly over For
	Release Verb = "release" // let down to nothing, evenly over For, and drive the piston home
	Break   Verb = "break"   // from here on the item breaks when it carries Force
	Shift   Verb = "shift"   // from here on the load cell's zero is off by Force more
	Spike   Verb = "spike"   // one stray sample, off by Force

	UnplugCell Verb = "unplug-cell" // the load cell loses its plug once it feels Force, until the next pull: Shows says what the indicator makes of it
	Friction   Verb = "friction"    // seals and guides take this Part of the hydraulic force until the next pull
)

// Step is one step of a script. Which of the rest it needs depends on its verb.
type Step struct {
	Do    Verb
	Force peak.Force
	For   time.Duration
	Shows NoCell
	Part  peak.Ratio
}

// Pull is one scripted pull: the job it belongs to and what the operator does.
// A pull with no Required force has no job.
type Pull struct {
	Name     string // letters, digits and -
	Required peak.Force
	Limit    peak.Force    // 0 for none
	Hold     time.Duration // bench time
	Expect   peak.Verdict  // what it should be judged; empty when not said
	Steps    []Step
}

// Script is the operator's day: pulls one after the other, over and over if
// Loop is set. Each pull starts with a fresh item.
type Script struct {
	Pulls []Pull
	Loop  bool
}

// Validate says what is wrong with the script.
func (s Script) Validate() error {
	var problems []error
	for _, p := range s.Pulls {
		if err := p.validate(); err != nil {
			problems = append(problems, fmt.Errorf("pull %s: %w", p.Name, err))
		}
	}
	return errors.Join(problems...)
}

func (p Pull) validate() error {
	if !isName(p.Name) {
		return errors.New("the name must be letters, digits and -")
	}
	if min(p.Required, p.Limit) < 0 || max(p.Required, p.Limit) > mostForce || p.Hold < 0 {
		return errors.New("what is required is out of range")
	}
	var loaded, moved bool
	for i, step := range p.Steps {
		if err := step.validate(); err != nil {
			return fmt.Errorf("step %d: %w", i+1, err)
		}
		loaded = step.Do == Raise || loaded && step.Do != Release
		moved = moved || step.For > 0
	}
	if loaded {
		return errors.New("the load must be released at the end")
	}
	if !moved {
		return errors.New("there must be a step that takes time")
	}
	return nil
}

// mostForce bounds the forces of a script, far above any bench.
const mostForce = 100 * peak.Meganewton

func (s Step) validate() error {
	wants, known := wantedBy[s.Do]
	switch {
	case !known:
		return fmt.Errorf("%q is no verb", s.Do)
	case wants.shows != (s.Shows != Plugged), wants.part != (s.Part != 0):
		return fmt.Errorf("%s wants %s", s.Do, wants.form)
	case s.Shows >= noCells || s.Part < 0 || s.Part > mostFriction:
		return fmt.Errorf("%s wants %s", s.Do, wants.form)
	case wants.time != (s.For > 0):
		return fmt.Errorf("%s wants %s", s.Do, wants.form)
	case s.Force > mostForce || s.Force < -mostForce:
		return fmt.Errorf("%s: %s is more than any bench can pull", s.Do, s.Force)
	case wants.force == 0 && s.Force != 0, wants.force > 0 && s.Force <= 0, wants.force < 0 && s.Force == 0:
		return fmt.Errorf("%s wants %s", s.Do, wants.form)
	}
	return nil
}

// mostFriction is where the plant's piston could no longer move.
const mostFriction = 50 * peak.Percent

// wanted is what a verb needs: force +1 for a positive one, -1 for one of either
// sign, 0 for none.
type wanted struct {
	force       int
	time        bool
	form        string
	shows, part bool
}

var wantedBy = map[Verb]wanted{
	Rest:       {time: true, form: "a time"},
	Raise:      {force: +1, time: true, form: `a "force" over a time`},
	Hold:       {time: true, form: "a time"},
	Sag:        {time: true, form: "a time"},
	Lower:      {force: +1, time: true, form: `a "force" over a time`},
	Release:    {time: true, form: "a time"},
	Break:      {force: +1, form: `a "force"`},
	Shift:      {force: -1, form: `a "force"`},
	Spike:      {force: -1, form: `a "force"`},
	UnplugCell: {force: +1, shows: true, form: `a "force" and one of ` + strings.Join(noCellWords[1:], ", ")},
	Friction:   {part: true, form: `a "part" of up to 50 %`},
}

// For returns the script for a bench that runs speed times as fast as life:
// rests and releases are long enough that, in real time, a pull's end is seen
// before the next one (4 s) and no release looks like a sudden loss (1.5 s).
func (s Script) For(speed float64) Script {
	least := map[Verb]time.Duration{
		Rest:    time.Duration(speed * float64(4*time.Second)),
		Release: time.Duration(speed * float64(1500*time.Millisecond)),
	}
	slow := Script{Loop: s.Loop}
	for _, p := range s.Pulls {
		steps := make([]Step, len(p.Steps))
		for i, step := range p.Steps {
			step.For = max(step.For, least[step.Do])
			steps[i] = step
		}
		p.Steps = steps
		slow.Pulls = append(slow.Pulls, p)
	}
	return slow
}

func isName(s string) bool {
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return s != ""
}
