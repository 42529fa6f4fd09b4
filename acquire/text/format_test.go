package text

import (
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"thimbled/peak"
)

// The lines are invented; they show the ways in which indicators of the trade
// print (common practice): fixed fields, a sign apart from the digits, a decimal
// comma, a word for stability, words instead of a value.
func TestParse(t *testing.T) {
	signed := Patterns{Value: `(?P<sign>[-+ ]) *(?P<value>[0-9.,]+) *(?P<unit>\w+)?`, NotReady: `^CAL`, OverRange: `OVER|^-{4,}$`, UnderRange: `UNDER`}
	words := Patterns{Value: `^((?P<stable>S)|(?P<moving>M)) (?P<value>\S+)$`}
	onlyStable := Patterns{Value: `^(?P<stable>\*)?(?P<value>\S+)$`}
	none := peak.Maybe[bool]{}
	for _, c := range []struct {
		patterns Patterns
		line     string
		want     Value
		err      error
	}{
		{signed, "+  12.34 kN", Value{12.34, "kN", none}, nil},
		{signed, "-  12.34 kN", Value{-12.34, "kN", none}, nil},
		{signed, "-0012,5kN", Value{-12.5, "kN", none}, nil},
		{signed, " 250 ", Value{250, "", none}, nil},
		{signed, "+ 1.234,5 kN", Value{}, ErrGarbled}, // two separators can be read in two ways
		{signed, "+ 1,234,5 kN", Value{}, ErrGarbled},
		{signed, "+ . kN", Value{}, ErrGarbled},
		{signed, "CAL 12.34 kN", Value{}, ErrNotReady},
		{signed, "+ OVER", Value{}, ErrOverRange},
		{signed, "------", Value{}, ErrOverRange},
		{signed, "- UNDER", Value{}, ErrUnderRange},
		{signed, "hello", Value{}, ErrGarbled},
		{signed, "+ 1\x002.34 kN", Value{}, ErrGarbled}, // a parity error
		{signed, "+ 12.34 k\xceN", Value{}, ErrGarbled}, // eight bits for seven
		{words, "S 1e3", Value{1000, "", peak.Known(true)}, nil},
		{words, "M -5", Value{-5, "", peak.Known(false)}, nil},
		{words, "S NaN", Value{}, ErrGarbled},
		{words, "S Inf", Value{}, ErrGarbled},
		{words, "S 0x10", Value{}, ErrGarbled},
		{words, "S 1_000", Value{}, ErrGarbled},
		{words, "S 1e999", Value{}, ErrGarbled},
		{words, "S 1-2", Value{}, ErrGarbled},
		{onlyStable, "*12", Value{12, "", peak.Known(true)}, nil},
		{onlyStable, "12", Value{12, "", peak.Known(false)}, nil},
		{Patterns{Value: `(?P<sign>.)(?P<value>\S+)`}, "--5", Value{}, ErrGarbled},
		{Patterns{Value: `(?P<sign>.)(?P<value>\S+)`}, "x5", Value{}, ErrGarbled},
		{Patterns{Value: `(?P<sign>.)(?P<value>\S+)`}, "\u22125", Value{-5, "", none}, nil},
		{Patterns{Value: `A|(?P<value>\d+)`}, "A", Value{}, ErrGarbled}, // the group took no part
	} {
		f, err := Compile(c.patterns)
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.Parse([]byte(c.line))
		if got != c.want || !errors.Is(err, c.err) {
			t.Errorf("%q: %+v, %v; want %+v, %v", c.line, got, err, c.want, c.err)
		}
	}
}

func TestCompileNamesTheWrongPattern(t *testing.T) {
	for _, c := range []struct {
		patterns Patterns
		says     string
	}{
		{Patterns{}, "no group (?P<value>"},
		{Patterns{Value: `(\d+)`}, "no group (?P<value>"},
		{Patterns{Value: `(?P<value>`}, "compile pattern"},
		{Patterns{Value: `(?P<value>.)`, NotReady: `[`}, "compile not_ready"},
		{Patterns{Value: `(?P<value>.)`, OverRange: `[`}, "compile over_range"},
		{Patterns{Value: `(?P<value>.)`, UnderRange: `[`}, "compile under_range"},
	} {
		if _, err := Compile(c.patterns); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want it to say %q", c.patterns, err, c.says)
		}
	}
}

func TestQuality(t *testing.T) {
	for err, want := range map[error]peak.Quality{
		nil: peak.Good, ErrGarbled: peak.Garbled, ErrNotReady: peak.NotReady, ErrOverRange: peak.OverRange,
		ErrUnderRange: peak.UnderRange, os.ErrDeadlineExceeded: peak.Timeout, os.ErrClosed: peak.Disconnected,
	} {
		if got := Quality(err); got != want {
			t.Errorf("%v: %q, want %q", err, got, want)
		}
	}
}

// Whatever a line holds, the number is finite and was printed in it.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"+ 12.34 kN", "-  ,5", "CAL", "1.2.3", "\x00", "- -5", "9e307", "\u2212 7"} {
		f.Add([]byte(s))
	}
	format, err := Compile(Patterns{Value: `(?P<sign>[-+\x{2212}])? *(?P<value>[-+]?[0-9.,eE]+) *(?P<unit>\pL*)`, NotReady: "CAL"})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		v, err := format.Parse(line)
		if err != nil {
			if v != (Value{}) {
				t.Fatalf("%q: value %+v beside error %v", line, v, err)
			}
			return
		}
		if math.IsNaN(v.Number) || math.IsInf(v.Number, 0) {
			t.Fatalf("%q gives %v", line, v.Number)
		}
		if !strings.Contains(string(line), v.Unit) || strings.ContainsRune(string(line), 0) || !strings.ContainsAny(string(line), "0123456789") {
			t.Fatalf("%q gives %+v", line, v)
		}
	})
}
