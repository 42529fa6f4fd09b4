package text

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"thimbled/peak"
)

// What a line can be instead of a value.
var (
	ErrGarbled    = errors.New("the line cannot be read")
	ErrNotReady   = errors.New("the instrument is not ready")
	ErrOverRange  = errors.New("the instrument shows an overload")
	ErrUnderRange = errors.New("the instrument shows an underload")
)

// Quality returns the quality of a reading that failed with err; Good for nil.
func Quality(err error) peak.Quality {
	switch {
	case err == nil:
		return peak.Good
	case errors.Is(err, ErrGarbled):
		return peak.Garbled
	case errors.Is(err, ErrNotReady):
		return peak.NotReady
	case errors.Is(err, ErrOverRange):
		return peak.OverRange
	case errors.Is(err, ErrUnderRange):
		return peak.UnderRange
	case errors.Is(err, os.ErrDeadlineExceeded):
		return peak.Timeout
	}
	return peak.Disconnected
}

// Patterns say how to read a line. They are regular expressions in the syntax
// of package regexp and match anywhere in a line unless they have ^ and $.
type Patterns struct {
	// Value has the group value and may have the groups sign and unit. The
	// groups stable and moving, when the pattern has them, say by taking part
	// in the match that the instrument calls its value so.
	Value string
	// NotReady, OverRange and UnderRange match lines without a value, such as
	// those printed during a self-test or an overload; empty for none. They
	// come before Value.
	NotReady, OverRange, UnderRange string
}

// Format reads lines by its patterns. It may be used by many goroutines.
type Format struct {
	value                              *regexp.Regexp
	notReady, overRange, underRange    *regexp.Regexp // nil for none
	number, sign, unit, stable, moving int            // groups of value; -1 when it has none
}

// Value is what a line says.
type Value struct {
	Number float64
	Unit   string // as printed; empty when the pattern has no group unit
	// Stable is known when the pattern has a group stable or moving.
	Stable peak.Maybe[bool]
}

// Compile makes a format. Its errors name the pattern that is wrong.
func Compile(p Patterns) (*Format, error) {
	f := &Format{}
	for _, c := range []struct {
		name, pattern string
		to            **regexp.Regexp
	}{
		{"pattern", p.Value, &f.value},
		{"not_ready", p.NotReady, &f.notReady},
		{"over_range", p.OverRange, &f.overRange},
		{"under_range", p.UnderRange, &f.underRange},
	} {
		if c.pattern == "" {
			continue
		}
		re, err := regexp.Compile(c.pattern)
		if err != nil {
			return nil, fmt.Errorf("compile %s: %w", c.name, err)
		}
		*c.to = re
	}
	if f.value == nil || f.value.SubexpIndex("value") < 0 {
		return nil, fmt.Errorf("compile pattern %q: it has no group (?P<value>…)", p.Value)
	}
	f.number, f.sign, f.unit = f.value.SubexpIndex("value"), f.value.SubexpIndex("sign"), f.value.SubexpIndex("unit")
	f.stable, f.moving = f.value.SubexpIndex("stable"), f.value.SubexpIndex("moving")
	return f, nil
}

// HasUnit says whether the pattern has a group unit.
func (f *Format) HasUnit() bool { return f.unit >= 0 }

// Parse reads one line without its terminator. A line that is no value gives
// [ErrNotReady], [ErrOverRange] or [ErrUnderRange]; one that cannot be trusted
// gives [ErrGarbled]. A byte with a parity error arrives as NUL, and one with a
// wrong number of data bits is no UTF-8, so both are refused anywhere in the line.
func (f *Format) Parse(line []byte) (Value, error) {
	if bytes.IndexByte(line, 0) >= 0 || !utf8.Valid(line) {
		return Value{}, fmt.Errorf("%w: damaged bytes in %s", ErrGarbled, show(line))
	}
	for _, c := range []struct {
		re  *regexp.Regexp
		err error
	}{{f.notReady, ErrNotReady}, {f.overRange, ErrOverRange}, {f.underRange, ErrUnderRange}} {
		if c.re != nil && c.re.Match(line) {
			return Value{}, c.err
		}
	}
	at := f.value.FindSubmatchIndex(line)
	if at == nil {
		return Value{}, fmt.Errorf("%w: %s does not match the pattern", ErrGarbled, show(line))
	}
	number, err := parseNumber(group(line, at, f.sign), group(line, at, f.number))
	if err != nil {
		return Value{}, fmt.Errorf("%w: %w in %s", ErrGarbled, err, show(line))
	}
	return Value{Number: number, Unit: group(line, at, f.unit), Stable: f.stability(at)}, nil
}

// stability is stable only when nothing in the line speaks against it.
func (f *Format) stability(at []int) peak.Maybe[bool] {
	if f.stable < 0 && f.moving < 0 {
		return peak.Maybe[bool]{}
	}
	stable := f.stable < 0 || at[2*f.stable] >= 0
	moving := f.moving >= 0 && at[2*f.moving] >= 0
	return peak.Known(stable && !moving)
}

// group returns the text of a group without blanks around it; empty when it
// took no part.
func group(line []byte, at []int, n int) string {
	if n < 0 || at[2*n] < 0 {
		return ""
	}
	return strings.TrimSpace(string(line[at[2*n]:at[2*n+1]]))
}

var (
	errNoNumber = errors.New("no number")
	errTwoSigns = errors.New("two signs")
	errNoSign   = errors.New("no sign")
)

// parseNumber reads a decimal number with a point or, if it has none, a single
// comma. There are no thousands separators: what could be read in two ways is
// refused.
func parseNumber(sign, text string) (float64, error) {
	negative, err := parseSign(sign)
	if err != nil {
		return 0, err
	}
	if strings.Trim(text, "+-.,0123456789eE") != "" {
		return 0, errNoNumber // strconv also takes names, hexadecimals and underscores
	}
	if sign != "" && strings.ContainsAny(text[:min(1, len(text))], "+-") {
		return 0, errTwoSigns
	}
	if strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, errNoNumber
	}
	if negative {
		v = -v
	}
	return v, nil
}

func parseSign(sign string) (negative bool, err error) {
	switch sign {
	case "", "+":
		return false, nil
	case "-", "\u2212": // hyphen-minus and the true minus sign
		return true, nil
	}
	return false, errNoSign
}

// show quotes what a line holds for people, shortened.
func show(line []byte) string {
	const enough = 40
	if len(line) > enough {
		return strconv.QuoteToASCII(string(line[:enough])) + "…"
	}
	return strconv.QuoteToASCII(string(line))
}
