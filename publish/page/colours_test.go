package page

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var (
	colourRule  = regexp.MustCompile(`(?s)([^{}]+)\{([^{}]*)\}`)
	colourValue = regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{6});`)
	foreground  = regexp.MustCompile(`(?:^|[; \n])color: ([^;]+);`)
	background  = regexp.MustCompile(`background-color: ([^;]+);`)
	comment     = regexp.MustCompile(`(?s)/\*.*?\*/`)
)

// schemes reads the colours of each scheme.
func schemes(t *testing.T, css string) map[string]map[string]string {
	t.Helper()
	out := map[string]map[string]string{}
	for _, rule := range colourRule.FindAllStringSubmatch(comment.ReplaceAllString(css, ""), -1) {
		colours := map[string]string{}
		for _, c := range colourValue.FindAllStringSubmatch(rule[2], -1) {
			colours[c[1]] = c[2]
		}
		out[strings.TrimSpace(rule[1])] = colours
	}
	if len(out) != 2 || len(out[":root"]) < 20 {
		t.Fatalf("the colours read as %v", out)
	}
	return out
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	channel := func(shift int) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return float64(0.2126*channel(16)) + float64(0.7152*channel(8)) + float64(0.0722*channel(0))
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// TestContrastFormula checks the formula: black on white is 21 to 1 by its definition, and
// #767676 on white is the lightest grey that passes 4.5 (both from memory of WCAG's notes).
func TestContrastFormula(t *testing.T) {
	if got := contrast(t, "#000000", "#ffffff"); math.Abs(got-21) > 1e-9 {
		t.Errorf("black on white: %v", got)
	}
	if a, b := contrast(t, "#767676", "#ffffff"), contrast(t, "#777777", "#ffffff"); a < 4.5 || b >= 4.5 {
		t.Errorf("grey on white: %v and %v", a, b)
	}
}

// TestColoursComeInPairs reads each pair of colours from the stylesheet: a rule that sets a
// foreground sets its ground too. Each pair has the contrast that WCAG 2.2 level AA asks of text, and
// of the parts of a curve, in both schemes.
func TestColoursComeInPairs(t *testing.T) {
	assets := newDouble(t, nil).assets
	all := schemes(t, string(assets["colours.css"].body))
	css := comment.ReplaceAllString(string(assets["page.css"].body), "")
	if strings.Contains(css, "#0") || strings.Contains(css, "rgb(") {
		t.Error("page.css has a colour of its own")
	}
	pairs := map[[2]string]float64{ // least contrast; the curves stand on the panel
		{"curve-force", "panel"}: 3, {"curve-pressure", "panel"}: 3, {"curve-required", "panel"}: 4.5, {"curve-limit", "panel"}: 4.5,
		{"soft", "panel"}: 4.5, {"edge", "panel"}: 3, {"edge", "field"}: 3, {"focus", "panel"}: 3, {"focus", "ground"}: 3,
	}
	for _, rule := range colourRule.FindAllStringSubmatch(css, -1) {
		fore, back := foreground.FindStringSubmatch(rule[2]), background.FindStringSubmatch(rule[2])
		if (fore == nil) != (back == nil) {
			t.Errorf("a colour without its pair: %s", strings.TrimSpace(rule[0]))
		}
		if fore == nil || fore[1] == "inherit" {
			continue
		}
		pairs[[2]string{variable(t, fore[1]), variable(t, back[1])}] = 4.5
	}
	if len(pairs) < 18 {
		t.Errorf("only %d pairs were found", len(pairs))
	}
	for scheme, colours := range all {
		for pair, least := range pairs {
			a, b := colours[pair[0]], colours[pair[1]]
			if a == "" || b == "" {
				t.Errorf("%s: %v is not defined", scheme, pair)
				continue
			}
			if got := contrast(t, a, b); got < least {
				t.Errorf("%s: %s %s on %s %s has a contrast of %.2f, %v is asked", scheme, pair[0], a, pair[1], b, got, least)
			}
		}
	}
}

func variable(t *testing.T, value string) string {
	t.Helper()
	name, ok := strings.CutPrefix(value, "var(--")
	if !ok {
		t.Errorf("%q is no colour of the list", value)
	}
	return strings.TrimSuffix(name, ")")
}
