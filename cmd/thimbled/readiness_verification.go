package main

import (
	"fmt"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// dueSoon is how long before its end a verification is called due.
const dueSoon = 30 * 24 * time.Hour

// verification says how the verification of each measuring range stands; of several
// ranges, the worst.
func (r *readiness) verification(s *publish.Snapshot, now time.Duration) publish.Check {
	worst := check("verification", "Verification of the force")
	if len(s.State.Verified) == 0 {
		worst.State, worst.Figure = publish.Attention, "none on record"
		worst.Why = "the force readings have not been compared with a reference standard on this computer; verify them, or use the paper report"
		return worst
	}
	for i, name := range r.rangeNames() {
		c := r.verificationOf(s, name, now)
		if i == 0 || severity(c) > severity(worst) {
			worst = c
		}
	}
	return worst
}

// rangeNames are the names of the measuring ranges; one without a name when the
// indicator has only one.
func (r *readiness) rangeNames() []string {
	if len(r.config.Ranges) == 0 {
		return []string{""}
	}
	var names []string
	for _, one := range r.config.Ranges {
		names = append(names, one.Name)
	}
	return names
}

func severity(c publish.Check) int {
	return slices.Index([]publish.CheckState{publish.InOrder, publish.Attention, publish.Waiting, publish.NotInOrder}, c.State)
}

func (r *readiness) verificationOf(s *publish.Snapshot, name string, now time.Duration) publish.Check {
	c := check("verification", "Verification of the force")
	if name != "" {
		c.Title += ", range " + name
	}
	i := slices.IndexFunc(s.State.Verified, func(v peak.Verification) bool { return v.Range == name })
	if i < 0 {
		c.Figure = "none on record"
		return bad(c, "pulls in this range are void until it is verified")
	}
	v := s.State.Verified[i]
	until := dayOf(s.Clock, v.Until)
	c.Figure = fmt.Sprintf("%s to %s%s, until %s", r.show(v.From), r.show(v.To), ofClass(v.ISOClass), until)
	if why := r.notOfThis(s, v); why != "" {
		return bad(c, why+"; verify the readings anew, or put it back as it was")
	}
	switch left := v.Until - now; {
	case left < 0:
		return bad(c, "it was due by "+until+"; pulls are void until the readings are verified anew")
	case left <= dueSoon:
		c.State, c.Why = publish.Attention, "due within 30 days, by "+until
	}
	return c
}

// notOfThis says in what a verification was made of something else than what is
// there; empty if it was not.
func (r *readiness) notOfThis(s *publish.Snapshot, v peak.Verification) string {
	set := r.config.Settings()
	switch constant := s.State.Constant; {
	case v.Serial != set.Serial:
		return fmt.Sprintf("it was made of load cell %s, the config names %s", quoted(v.Serial), quoted(set.Serial))
	case v.Scale != set.Scale:
		return fmt.Sprintf("it was made with the scale %s, the config has %s", quoted(v.Scale), quoted(set.Scale))
	case v.Constant.Known && constant.Known && v.Constant.Value != constant.Value:
		return fmt.Sprintf("it was made with the calibration constant %d, the indicator has %d", v.Constant.Value, constant.Value)
	}
	return ""
}

func quoted(text string) string {
	if text == "" {
		return "none"
	}
	return fmt.Sprintf("%q", text)
}

func ofClass(class string) string {
	if class == "" {
		return ""
	}
	return ", class " + class
}

// dayOf is the day of a moment where the bench stands.
func dayOf(c publish.Clock, at time.Duration) string { return c.Wall(at).Local().Format(time.DateOnly) }
