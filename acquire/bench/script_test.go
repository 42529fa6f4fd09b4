package bench

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
)

const exampleScript = `# a test of two pulls
pull first required "100 kN" limit "112 kN" hold 30s expect pass
	rest 30s
	raise "102.5 kN" over 20s; hold 34s; release 15s
pull second # without a job
	rest 1m; shift "-600 N"; spike "8 kN"
	break "0.09 MN"; raise "100 kN" 20s
	sag 10s; lower "50 kN" over 5s
	release 15s
loop
`

func TestParseScript(t *testing.T) {
	got, err := ParseScript(exampleScript)
	if err != nil {
		t.Fatal(err)
	}
	want := Script{Loop: true, Pulls: []Pull{
		{
			Name: "first", Required: 100 * peak.Kilonewton, Limit: 112 * peak.Kilonewton,
			Hold: 30 * time.Second, Expect: peak.Pass,
			Steps: []Step{
				{Do: Rest, For: 30 * time.Second},
				{Do: Raise, Force: 102_500 * peak.Newton, For: 20 * time.Second},
				{Do: Hold, For: 34 * time.Second},
				{Do: Release, For: 15 * time.Second},
			},
		},
		{
			Name: "second",
			Steps: []Step{
				{Do: Rest, For: time.Minute},
				{Do: Shift, Force: -600 * peak.Newton},
				{Do: Spike, Force: 8 * peak.Kilonewton},
				{Do: Break, Force: 90 * peak.Kilonewton},
				{Do: Raise, Force: 100 * peak.Kilonewton, For: 20 * time.Second},
				{Do: Sag, For: 10 * time.Second},
				{Do: Lower, Force: 50 * peak.Kilonewton, For: 5 * time.Second},
				{Do: Release, For: 15 * time.Second},
			},
		},
	}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

func TestParseScriptWithoutHeader(t *testing.T) {
	s, err := ParseScript(`rest 30s; raise "100 kN" over 20s; hold 30s; release 15s`)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Pulls) != 1 || s.Pulls[0].Name != "pull" || len(s.Pulls[0].Steps) != 4 || s.Loop {
		t.Errorf("got %+v", s)
	}
}

func TestParseScriptSaysWhereItIsWrong(t *testing.T) {
	for text, want := range map[string]string{
		"":                                  "the script has no steps",
		"rest":                              "line 1: rest wants a time",
		"rest 30":                           `line 1: rest: "30" has no unit`,
		"rest -3s":                          "line 1: rest: -3s is not between 0 and 24h",
		"rest 3s 4s":                        `line 1: rest wants a time and nothing more, not "4s"`,
		"rest 3s\nlift \"5 kN\"":            `line 2: "lift" is no verb`,
		"raise 100 kN over 20s":             "line 1: raise: 100 is no force in quotes",
		`raise "100 kN"`:                    `line 1: raise wants a "force" over a time`,
		`raise "100" over 20s`:              `line 1: raise: "100" has no unit`,
		`raise "-1 kN" over 20s`:            `line 1: raise wants a "force" over a time`,
		`raise "200 MN" over 20s`:           "more than any bench can pull",
		`raise "100 kN over 20s`:            "line 1: a quote is not closed",
		`raise "100 kN" over 20s`:           "pull pull: the load must be released at the end",
		`shift "0 N"`:                       `line 1: shift wants a "force"`,
		`shift "600 N"`:                     "pull pull: there must be a step that takes time",
		"pull":                              "line 1: pull wants a name",
		"pull ä; rest 1s":                   "the name must be letters, digits and -",
		"pull a required":                   "line 1: pull: required wants a value",
		"pull a expect luck":                "line 1: luck is no verdict",
		"pull a colour red":                 `line 1: pull: "colour" is not required, limit, hold or expect`,
		"loop now":                          `line 1: loop wants nothing, not "now"`,
		"rest 1s; loop; rest 1s":            "line 1: loop must come last",
		"rest 1s\nhold\nrelease":            "line 2: hold wants a time\nline 3: release wants a time",
		"pull a; rest 1s; pull b; loop # x": "pull b: there must be a step that takes time",
	} {
		_, err := ParseScript(text)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}

func TestScriptForSpeedRestsAndReleasesLonger(t *testing.T) {
	script := Script{Pulls: []Pull{Sound}, Loop: true}
	if got := script.For(7); !reflect.DeepEqual(got, script) {
		t.Errorf("at seven times the speed of life the script changed: %s", got)
	}
	got := script.For(30).Pulls[0].Steps
	if got[0].For != 120*time.Second || got[len(got)-1].For != 45*time.Second {
		t.Errorf("at thirty times: %v", got)
	}
	if got[2].For != Sound.Steps[2].For || Sound.Steps[0].For != 30*time.Second {
		t.Error("more than rests and releases changed")
	}
}

// What a script says of itself must be read as the same script.
func FuzzParseScript(f *testing.F) {
	f.Add(exampleScript)
	f.Add(Everyday.String())
	f.Add(`rest 30s; raise "100 kN" over 20s; hold 30s; release 15s`)
	f.Add("pull a expect\x00 \"; loop")
	f.Fuzz(func(t *testing.T, text string) {
		script, err := ParseScript(text)
		if err != nil {
			return
		}
		again, err := ParseScript(script.String())
		if err != nil {
			t.Fatalf("%q was written as\n%s: %v", text, script, err)
		}
		if !reflect.DeepEqual(script, again) {
			t.Fatalf("%q was written as\n%s and read as\n%s", text, script, again)
		}
	})
}
