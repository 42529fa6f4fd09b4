package rules

import (
	"errors"
	"flag"
	"os"
	"strings"
	"testing"

	"thimbled/peak"
)

var rewrite = flag.Bool("rewrite", false, "write golden files anew; explain every difference")

// TestDemandsTold asks the questions of a file, one a line, and compares what is
// answered: figures, how they were reckoned, and what a person must decide.
func TestDemandsTold(t *testing.T) {
	const path = "testdata/demands.txt"
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for line := range strings.Lines(string(text)) {
		question, ok := strings.CutPrefix(line, "? ")
		if !ok {
			continue
		}
		if b.Len() > 0 {
			b.WriteString("\n")
		}
		b.WriteString(line)
		answer(t, &b, strings.Split(strings.TrimSpace(question), ", "))
	}
	if *rewrite {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if b.String() != string(text) {
		t.Errorf("%s differs, got:\n%s", path, b.String())
	}
}

// answer takes rule, rated load, strength and capacity; the last two may be
// missing or "-".
func answer(t *testing.T, b *strings.Builder, question []string) {
	t.Helper()
	r, err := Find(question[0])
	if err != nil {
		t.Fatal(err)
	}
	optional := func(i int) (l peak.Maybe[Load]) {
		if i < len(question) && question[i] != "-" {
			l = peak.Known(load(t, question[i]))
		}
		return l
	}
	d, err := r.Demand(load(t, question[1]), optional(2))
	if err != nil {
		b.WriteString("refused: " + err.Error() + "\n")
		return
	}
	if d.Least.Known {
		b.WriteString("least " + d.Least.Value.String() + "\n")
	}
	if d.Most.Known {
		b.WriteString("most " + d.Most.Value.String() + "\n")
	}
	b.WriteString(d.Explanation + "\n")
	for _, w := range d.Warnings {
		if w != makersLeave {
			b.WriteString("warning: " + w + "\n")
		}
	}
	var capacity peak.Maybe[peak.Force]
	if l := optional(3); l.Known {
		capacity = peak.Known(l.Value.Force())
	}
	for _, o := range d.Obstacles(capacity) {
		b.WriteString("obstacle: " + o + "\n")
	}
}

// Whether the maker allows proof loading is a person's to know, whatever the
// rule.
func TestEveryProofLoadNeedsTheMakersLeave(t *testing.T) {
	for _, r := range Published() {
		d, err := r.Demand(load(t, "3 t"), peak.Known(load(t, "1000 kN")))
		if err != nil {
			t.Errorf("%s: %v", r.ID, err)
			continue
		}
		if asks := len(d.Warnings) > 0 && d.Warnings[0] == makersLeave; asks != d.Least.Known {
			t.Errorf("%s: warnings %q", r.ID, d.Warnings)
		}
		for _, c := range r.Cautions {
			if cautionTexts[c] == "" {
				t.Errorf("%s: caution %q has no text", r.ID, c)
			}
		}
	}
}

func TestStrengthIsNeededWhereItCaps(t *testing.T) {
	for _, r := range Published() {
		_, err := r.Demand(load(t, "3 t"), peak.Maybe[Load]{})
		if needs := errors.Is(err, ErrNoStrength); needs != (r.ID == "b30_9_socket") || err != nil && !needs {
			t.Errorf("%s: %v", r.ID, err)
		}
	}
}

// An own rule may be for a range only.
func TestRatedLoadOutsideOfARule(t *testing.T) {
	least, err := ParseFormula("1.25 x WLL")
	if err != nil {
		t.Fatal(err)
	}
	r := Rule{ID: "loft_hook", Branches: []Branch{{
		Above: peak.Known(load(t, "1 t")), UpTo: peak.Known(load(t, "5 t")), Least: least}}}
	for s, in := range map[string]bool{"1 t": false, "1.001 t": true, "5 t": true, "5.001 t": false} {
		_, err := r.Demand(load(t, s), peak.Maybe[Load]{})
		if (err == nil) != in || err != nil && !strings.Contains(err.Error(), "it is for above 1 t and up to 5 t") {
			t.Errorf("%s: %v", s, err)
		}
	}
}

func formula(t *testing.T, s string) Formula {
	t.Helper()
	f, err := ParseFormula(s)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestBranchesThatCannotBe(t *testing.T) {
	bound := func(s string) (l peak.Maybe[Load]) {
		if s != "" {
			l = peak.Known(load(t, s))
		}
		return l
	}
	for _, c := range []struct{ above, upTo, least, most, says string }{
		{"", "", "2 x WLL", "2.2 x WLL", ""},
		{"", "", "WLL", "0.5 x strength", ""},
		{"", "10 t", "2 x WLL", "WLL + 10 t", ""},                      // they meet at the bound
		{"40 t", "", "WLL + 20 t", "1.5 x WLL", ""},                    // they meet at the other
		{"", "", "WLL + 20 t", "WLL + 21 t", ""},                       // side by side
		{"", "", "2 x WLL", "2 x WLL", "must be above least"},          // no room anywhere
		{"", "10.1 t", "2 x WLL", "WLL + 10 t", "must be above least"}, // they cross
		{"", "", "2 x WLL", "WLL + 10 t", "must be above least"},
		{"", "", "WLL + 20 t", "1.5 x WLL", "must be above least"},
		{"10 t", "10 t", "WLL", "", "up_to (10 t) must be more than above (10 t)"},
		{"11 t", "10000 kg", "WLL", "", "up_to (10000 kg) must be more than above (11 t)"},
		{"", "", "0.5 x strength", "", "must not be reckoned from the strength"},
		{"", "", "2 x leg WLL", "3 x WLL", "from the WLL and the least from the leg WLL"},
	} {
		b := Branch{Above: bound(c.above), UpTo: bound(c.upTo), Least: formula(t, c.least)}
		if c.most != "" {
			b.Most = peak.Known(formula(t, c.most))
		}
		if err := b.Check(); (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

func TestLoadsThatCannotBe(t *testing.T) {
	for s, says := range map[string]string{
		"25": "has no unit", "t": "does not begin with a number", "25 tons": "did you mean", "1,5 t": "has a comma",
		"0 t": "out of range", "-3 t": "out of range", "0.999999 N": "out of range", "1000.000001 MN": "out of range", "1e30 N": "too large",
		"." + strings.Repeat("7", 63) + "lb": "too finely written",
	} {
		if l, err := ParseLoad(s); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, %v, want %q", s, l, err, says)
		}
	}
}

func TestFormulasThatCannotBe(t *testing.T) {
	for s, says := range map[string]string{
		"": "no formula", "2": "no formula", "2 x": "no formula", "x WLL": "no formula", "2 x wll": "no formula", "-2 x WLL": "no formula",
		"2 x WLL - 1 t": "no formula", "0 x WLL": "has a factor of 0", "0.00 x WLL": "has a factor", "10000 x WLL": "has a factor",
		"1.00001 x WLL": "has a factor", "WLL + 20": "has no unit", "WLL + 0 t": "out of range",
	} {
		if f, err := ParseFormula(s); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, %v, want %q", s, f, err, says)
		}
	}
}

func FuzzParseLoad(f *testing.F) {
	for _, s := range []string{"25 t", "150 short-ton", "1e3kN", "+.5 MN", "1e-30 t", "0x1p3 N", " 7.0 lbf "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := ParseLoad(s)
		if err != nil {
			return
		}
		if again, err := ParseLoad(l.String()); err != nil || again != l {
			t.Fatalf("%q is %v, and that %v, %v", s, l, again, err)
		}
		want, err := peak.ParseForce(s)
		if n := l.millinewtons(); err != nil || l.Force() != want || roundUp(n) < want || roundDown(n) > want || roundUp(n)-roundDown(n) > 1 {
			t.Fatalf("%q is %v to %v, rounded %v", s, roundDown(n), roundUp(n), want)
		}
	})
}

func FuzzParseFormula(f *testing.F) {
	for _, s := range []string{"2 x WLL", "WLL", "1.04 x WLL + 9.6 t", "0.5 x strength", "2 x leg WLL", "3 x combined leg force + 1 kN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		parsed, err := ParseFormula(s)
		if err != nil {
			return
		}
		if again, err := ParseFormula(parsed.String()); err != nil || again != parsed {
			t.Fatalf("%q is %v, and that %v, %v", s, parsed, again, err)
		}
		if parsed.of(whole(peak.Kilonewton)).Sign() <= 0 {
			t.Fatalf("%q gives nothing", s)
		}
	})
}
