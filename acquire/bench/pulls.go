package bench

import (
	"time"

	"thimbled/peak"
)

// The pulls that come with the bench. Each asks for 100 kN held for 30 s of
// bench time and not more than 112 kN, and takes about 100 s.
var (
	// Sound holds long enough, with small top-ups.
	Sound = proof("sound", peak.Pass,
		Step{Do: Raise, Force: 102_500 * peak.Newton, For: 20 * time.Second},
		Step{Do: Hold, For: 34 * time.Second})
	// CutShort is let down before the hold is complete.
	CutShort = proof("cut-short", peak.Incomplete,
		Step{Do: Raise, Force: 102_500 * peak.Newton, For: 20 * time.Second},
		Step{Do: Hold, For: 12 * time.Second})
	// OverLimit is pumped too far before it is held.
	OverLimit = proof("over-limit", peak.Exceeded,
		Step{Do: Raise, Force: 116 * peak.Kilonewton, For: 23 * time.Second},
		Step{Do: Lower, Force: 103 * peak.Kilonewton, For: 4 * time.Second},
		Step{Do: Hold, For: 34 * time.Second})
	// Sagging creeps below the required force because nobody tops up.
	Sagging = proof("sagging", peak.Incomplete,
		Step{Do: Raise, Force: 100_400 * peak.Newton, For: 20 * time.Second},
		Step{Do: Sag, For: 36 * time.Second})
	// Breaking loses its item on the way up.
	Breaking = proof("breaking", peak.Failed,
		Step{Do: Break, Force: 92 * peak.Kilonewton},
		Step{Do: Raise, Force: 102_500 * peak.Newton, For: 20 * time.Second},
		Step{Do: Hold, For: 34 * time.Second})
	// ZeroShifting comes back to another zero than it left.
	ZeroShifting = proof("zero-shifting", peak.Void,
		Step{Do: Raise, Force: 102_500 * peak.Newton, For: 20 * time.Second},
		Step{Do: Shift, Force: 600 * peak.Newton},
		Step{Do: Hold, For: 34 * time.Second})
	// Unplugged loses its load cell on the way up, and nobody looks.
	Unplugged = proof("unplugged", peak.Void,
		Step{Do: UnplugCell, Force: 60 * peak.Kilonewton, Shows: ShowsZero},
		Step{Do: Raise, Force: 102_500 * peak.Newton, For: 20 * time.Second},
		Step{Do: Hold, For: 34 * time.Second})
	// Jammed drags a guide that takes a fifth of the hydraulic force.
	Jammed = proof("jammed", peak.Review,
		Step{Do: Friction, Part: 20 * peak.Percent},
		Step{Do: Raise, Force: 102_500 * peak.Newton, For: 20 * time.Second},
		Step{Do: Hold, For: 34 * time.Second})
)

// Everyday is a day in which sound pulls and each kind of bad one alternate.
var Everyday = Script{
	Pulls: []Pull{Sound, CutShort, Sound, OverLimit, Sound, Sagging, Sound, Breaking, Sound, ZeroShifting, Sound, Unplugged, Sound, Jammed},
	Loop:  true,
}

func proof(name string, expect peak.Verdict, load ...Step) Pull {
	steps := []Step{{Do: Rest, For: 30 * time.Second}}
	steps = append(steps, load...)
	steps = append(steps, Step{Do: Release, For: 15 * time.Second})
	return Pull{
		Name: name, Expect: expect,
		Required: 100 * peak.Kilonewton, Limit: 112 * peak.Kilonewton, Hold: 30 * time.Second,
		Steps: steps,
	}
}
