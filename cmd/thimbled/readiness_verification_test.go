package main_test

import (
	"strings"
	"testing"
	"time"

	main "thimbled/cmd/thimbled"
	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
)

// verifiedConfig is a bench with one range, or two.
func verifiedConfig(t *testing.T, more string) *config.Config {
	t.Helper()
	c, err := config.Parse("bench.toml", []byte(`[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
[[line]]
name = "gateway"
kind = "tcp"
address = "127.0.0.1:1502"
[load]
line = "gateway"
unit = "kN"
type = "float32"
register = 0
unit_id = 1
serial = "LC-1"
`+more))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

const twoRanges = `
[[range]]
name = "low"
up_to = "50 kN"
division = "10 N"
[[range]]
name = "high"
up_to = "250 kN"
division = "50 N"
`

func TestVerificationInReadiness(t *testing.T) {
	const day = 24 * time.Hour
	one, two := verifiedConfig(t, ""), verifiedConfig(t, twoRanges)
	sound := peak.Verification{
		Serial: "LC-1", Constant: peak.Known[int64](7), From: 10 * peak.Kilonewton, To: 250 * peak.Kilonewton, Until: 365 * day, ISOClass: "1",
	}
	with := func(change func(*peak.Verification)) []peak.Verification {
		v := sound
		change(&v)
		return []peak.Verification{v}
	}
	inRange := func(name string, until time.Duration) peak.Verification {
		v := sound
		v.Range, v.Until = name, until
		return v
	}
	for name, c := range map[string]struct {
		config   *config.Config
		verified []peak.Verification
		now      time.Duration
		state    publish.CheckState
		says     string
	}{
		"none":             {one, nil, 0, publish.Attention, "have not been compared"},
		"in force":         {one, []peak.Verification{sound}, 0, publish.InOrder, "10.00 kN to 250.00 kN, class 1, until 2027-03-01"},
		"31 days left":     {one, []peak.Verification{sound}, 334 * day, publish.InOrder, ""},
		"30 days left":     {one, []peak.Verification{sound}, 335 * day, publish.Attention, "due within 30 days, by 2027-03-01"},
		"the last moment":  {one, []peak.Verification{sound}, 365 * day, publish.Attention, "2027-03-01"},
		"overdue":          {one, []peak.Verification{sound}, 365*day + 1, publish.NotInOrder, "void until the readings are verified anew"},
		"another cell":     {one, with(func(v *peak.Verification) { v.Serial = "LC-2" }), 0, publish.NotInOrder, `load cell "LC-2", the config names "LC-1"`},
		"another scale":    {one, with(func(v *peak.Verification) { v.Scale = "2 x raw" }), 0, publish.NotInOrder, `the config has none`},
		"another constant": {one, with(func(v *peak.Verification) { v.Constant = peak.Known[int64](8) }), 0, publish.NotInOrder, "the indicator has 7"},
		"both ranges":      {two, []peak.Verification{inRange("low", 365*day), inRange("high", 365*day)}, 0, publish.InOrder, "Verification of the force, range low"},
		"one range due":    {two, []peak.Verification{inRange("low", 365*day), inRange("high", 20*day)}, 0, publish.Attention, "range high"},
		"one range never":  {two, []peak.Verification{inRange("high", 20*day)}, 0, publish.NotInOrder, "range low"},
		"the other late":   {two, []peak.Verification{inRange("low", 20*day), inRange("high", day)}, 2 * day, publish.NotInOrder, "range high"},
	} {
		s := &publish.Snapshot{
			Clock: publish.Clock{Epoch: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)},
			State: peak.State{Verified: c.verified, Constant: peak.Known[int64](7)},
		}
		got := main.VerificationCheck(c.config, s, c.now)
		if all := got.Title + "; " + got.Figure + "; " + got.Why; got.State != c.state || got.Name != "verification" || !strings.Contains(all, c.says) {
			t.Errorf("%s: %s, %q; want %s and %q", name, got.State, all, c.state, c.says)
		}
	}
}
