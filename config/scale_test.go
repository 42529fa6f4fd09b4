package config

import (
	"math"
	"math/big"
	"reflect"
	"strings"
	"testing"

	"thimbled/peak"
)

func withScale(coefficients string) string {
	return minimal + "unit = \"kN\"\n[load.scale]\ncoefficients = " + coefficients + "\n"
}

// The curve is found on the stretch that reaches all plausible forces, -25 to 275 kN here.
// Its ends are solved by hand: a straight line, and squares whose roots are known.
func TestCurveRunsOverThePlausibleForces(t *testing.T) {
	for text, want := range map[string][2]float64{
		"[0, 125]":         {-0.2, 2.2},
		"[25.0, 1]":        {-50, 250},
		"[250, -0.5]":      {-50, 550}, // a greater force has a smaller raw value
		"[0, 125, 0, 0]":   {-0.2, 2.2},
		"[-25, 50, 1]":     {0, math.Sqrt(625+300) - 25},
		"[-26, 0, 1]":      {1, math.Sqrt(301)},                                          // a squared frequency
		"[0, 100, -9]":     {(100 - math.Sqrt(10900)) / 18, (100 - math.Sqrt(100)) / 18}, // turns at 278 kN
		"[-125, 0, 0, 1]":  {math.Cbrt(100), math.Cbrt(400)},
		"[0, 300, 0, 1e6]": {-0.0258376, 0.0634921}, // by halving, elsewhere
	} {
		cfg := parse(t, withScale(text))
		c := cfg.Load.Curve.Value
		for _, end := range [][2]float64{{c.From, want[0]}, {c.To, want[1]}} {
			if math.Abs(end[0]-end[1]) > 1e-5*math.Abs(end[1])+1e-12 {
				t.Errorf("%s: from %v to %v, want %v", text, c.From, c.To, want)
			}
		}
		ends := [2]float64{c.Value(c.From), c.Value(c.To)}
		if math.Abs(min(ends[0], ends[1])+25) > 1e-9 || math.Abs(max(ends[0], ends[1])-275) > 1e-9 {
			t.Errorf("%s: its ends come to %v", text, ends)
		}
		if cfg.Load.Scale != 1 || cfg.Load.Offset != 0 {
			t.Errorf("%s: scale %v, offset %v beside it", text, cfg.Load.Scale, cfg.Load.Offset)
		}
	}
}

func TestCurvesThatAreNone(t *testing.T) {
	for text, want := range map[string]string{
		"1.5":               "is a number with a point, but must be a list",
		`"0, 125"`:          "is text, but must be a list",
		"[]":                "has 0 numbers",
		"[1]":               "has 1 numbers",
		"[0, 1, 2, 3, 4]":   "has 5 numbers",
		"[0, nan]":          "number 2 nan is no number to count with",
		"[0, 1e999]":        "number 2 1e999 is no number to count with",
		"[0, [1]]":          "number 2 is a list, but must be a number",
		`["0", 1]`:          "number 1 is text, but must be a number",
		"[5, 0, 0]":         "makes every value the same",
		"[0, 125, -100]":    "the curve turns at a raw value of 0.625: it must run from lowest (-25 kN) to highest (275 kN)",
		"[0, 3, 0, -1e-6]":  "", // turns at ±1000, far beyond 275 kN
		"[0, 3, 0, -1e-3]":  "the curve turns at a raw value of 31.6228",
		"[0, 1, 9]":         "the curve turns at a raw value of -0.0555556",
		"[0, 1e-40]":        "the curve does not reach these forces",
		"[0, 1e300, 1e300]": "", // overflows at the far end only
	} {
		cfg, err := Parse("test.toml", []byte(withScale(text)))
		switch {
		case want == "" && err != nil:
			t.Errorf("%s: %v", text, err)
		case want != "" && (err == nil || !strings.Contains(err.Error(), "load.scale.coefficients: "+want)):
			t.Errorf("%s: %v, %v", text, cfg, err)
		}
	}
}

// TOML has several ways of writing a table in a table.
func TestScaleIsWrittenInSeveralWays(t *testing.T) {
	want := parse(t, withScale("[-0.85, 1365.678854943493, 8]")).Load.Curve
	for name, text := range map[string]string{
		"inline":        minimal + "unit = \"kN\"\nscale = { coefficients = [-0.85, 1_365.678854943493, 8] }\n",
		"dotted":        minimal + "unit = \"kN\"\nscale.coefficients = [-0.85, 1365.678854943493, 8]\n",
		"lines":         withScale("[\n  -0.85, # at no load\n  1365.678854943493,\n  8.0,\n]"),
		"before [load]": "[load.scale]\ncoefficients = [-0.85, 1365.678854943493, 8]\n" + minimal + "unit = \"kN\"\n",
		"from the top":  "load.scale.coefficients = [-0.85, 1365.678854943493, 8]\nload.line = \"rs485\"\nload.unit = \"kN\"\n" + strings.Replace(minimal, "[load]\nline = \"rs485\"\n", "", 1),
	} {
		cfg, err := Parse("test.toml", []byte(text))
		if err != nil || !reflect.DeepEqual(cfg.Load.Curve, want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Values are those of exact arithmetic, rounded in each step: the steps are done here with
// 53 bits by math/big.
func TestCurveIsRoundedTheSameEverywhere(t *testing.T) {
	c := Curve{Coefficients: []float64{-851.2098007106220, 1.365678854943493e6, 8.394392804252955e3, -0.3}}
	for i := range 1000 {
		raw := float64(i) * 0.0021683
		want := new(big.Float).SetPrec(53)
		for k := len(c.Coefficients) - 1; k >= 0; k-- {
			want.Mul(want, big.NewFloat(raw))
			want.Add(want, big.NewFloat(c.Coefficients[k]))
		}
		if w, _ := want.Float64(); c.Value(raw) != w {
			t.Fatalf("%v comes to %v, want %v", raw, c.Value(raw), w)
		}
	}
}

func TestScalingNamesTheCurve(t *testing.T) {
	for text, want := range map[string]string{
		withScale("[-0.5, 125, 1e-9]"): "-0.5 + 125 x raw + 1e-09 x raw^2 kN",
		minimal + "scale = 0.5\n":      "0.5 x raw + 0 kN",
		minimal:                        "",
	} {
		if got := parse(t, text).Load.Scaling(); got != want {
			t.Errorf("scaling %q, want %q", got, want)
		}
	}
}

// What is recorded of a scale is enough to write it again.
func TestScaleIsAmongTheParameters(t *testing.T) {
	recorded := map[string]string{}
	for _, p := range parse(t, withScale("[-0.5, 125, 1e-9]")).Parameters() {
		recorded[p.Name] = p.Value
	}
	if recorded["load.scale.coefficients"] != "[-0.5, 125, 1e-9]" || recorded["load.scale"] != "" || recorded["load.offset"] != "" {
		t.Errorf("recorded %v", recorded)
	}
}

func TestDecision(t *testing.T) {
	for text, want := range map[string]Decision{
		"":                                    {Rule: peak.SimpleAcceptance},
		"rule = \"simple\"":                   {Rule: peak.SimpleAcceptance},
		"rule = \"guard\"\nguard = \"1.5 %\"": {Rule: peak.GuardedByPercentage, Guard: 15_000},
		"guard = \"100 %\"\nrule = \"guard\"": {Rule: peak.GuardedByPercentage, Guard: 1_000_000},
		"rule = \"uncertainty\"":              {Rule: peak.GuardedByUncertainty},
	} {
		cfg := parse(t, minimal+"[decision]\n"+text)
		if cfg.Decision != want {
			t.Errorf("%q: %+v", text, cfg.Decision)
		}
		recorded := map[string]string{}
		for _, p := range cfg.Parameters() {
			recorded[p.Name] = p.Value
		}
		if _, err := Judging(recorded); err != nil {
			t.Errorf("%q: %v", text, err)
		}
	}
	for text, want := range map[string]string{
		"guard = \"1 %\"":                         `decision.guard: has no meaning with the rule "simple"`,
		"rule = \"uncertainty\"\nguard = \"1 %\"": `decision.guard: has no meaning with the rule "uncertainty"`,
		"rule = \"guard\"":                        "decision.guard: is missing",
		"rule = \"guard\"\nguard = \"0 %\"":       "decision.guard: \"0 %\" is below",
		"rule = \"strict\"":                       `decision.rule: "strict" is unknown`,
		"rule = \"gaurd\"\nguard = \"1 %\"":       `did you mean "guard"`,
	} {
		if _, err := Parse("test.toml", []byte(minimal+"[decision]\n"+text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}
