package config

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"

	"thimbled/config/near"
)

// field knows how a value is checked and where it goes.
type field struct {
	set     func(*draft, value) error
	allowed string // the range or the choices; empty if every value is allowed
	text    bool   // written in quotes
}

// quantity is a string with a number and a unit that parse understands, from low
// to high. sample shows how it is written.
func quantity[T cmp.Ordered](parse func(string) (T, error), sample, low, high string, put func(*draft, T)) field {
	lowest, highest := must(parse(low)), must(parse(high))
	allowed := low + " to " + high
	return field{text: true, allowed: allowed, set: func(d *draft, v value) error {
		if v.kind == unstable.Integer || v.kind == unstable.Float {
			_, unit, _ := strings.Cut(sample, " ")
			return fmt.Errorf(`%s has no unit: write it in quotes with one, such as "%s %s"`, v.text, v.text, unit)
		}
		if err := v.needs(unstable.String, `"`+sample+`"`); err != nil {
			return err
		}
		q, err := parse(v.text)
		switch {
		case err != nil:
			return err
		case q < lowest:
			return fmt.Errorf("%q is below %s: allowed is %s", v.text, low, allowed)
		case q > highest:
			return fmt.Errorf("%q is above %s: allowed is %s", v.text, high, allowed)
		}
		put(d, q)
		return nil
	}}
}

// must is for texts that stand in the program.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// whole is a whole number from low to high.
func whole[T ~int | ~uint8 | ~uint16](low, high T, put func(*draft, T)) field {
	allowed := fmt.Sprintf("%d to %d", low, high)
	return field{allowed: allowed, set: func(d *draft, v value) error {
		if err := v.needs(unstable.Integer, v.orNumber(fmt.Sprint(low))); err != nil {
			return err
		}
		n, err := strconv.ParseInt(strings.ReplaceAll(strings.TrimPrefix(v.text, "+"), "_", ""), 0, 64)
		if err != nil || n < int64(low) || n > int64(high) {
			return fmt.Errorf("%s is out of range: allowed is %s", v.text, allowed)
		}
		put(d, T(n))
		return nil
	}}
}

// number is any finite number.
func number(put func(*draft, float64)) field {
	return field{set: func(d *draft, v value) error {
		if v.kind != unstable.Integer {
			if err := v.needs(unstable.Float, v.orNumber("0.01")); err != nil {
				return err
			}
		}
		f, err := strconv.ParseFloat(strings.ReplaceAll(v.text, "_", ""), 64)
		if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
			return fmt.Errorf("%s is no number to count with: write one such as 0.01", v.text)
		}
		put(d, f)
		return nil
	}}
}

// choice is one of a few words.
func choice[T ~string](put func(*draft, T), options ...T) field {
	names := make([]string, len(options))
	for i, o := range options {
		names[i] = string(o)
	}
	allowed := strings.Join(names, " | ")
	return field{text: true, allowed: allowed, set: func(d *draft, v value) error {
		if err := v.needs(unstable.String, strconv.Quote(names[0])); err != nil {
			return err
		}
		if !slices.Contains(names, v.text) {
			return fmt.Errorf("%q is unknown: %sallowed is %s", v.text, near.DidYouMean(v.text, names), allowed)
		}
		put(d, T(v.text))
		return nil
	}}
}

// named is a value that parse finds by its name, such as a unit.
func named[T any](parse func(string) (T, error), sample string, put func(*draft, T)) field {
	return field{text: true, set: func(d *draft, v value) error {
		if err := v.needs(unstable.String, strconv.Quote(sample)); err != nil {
			return err
		}
		found, err := parse(v.text)
		if err == nil {
			put(d, found)
		}
		return err
	}}
}

// words is a string that check accepts; check may be nil.
func words(sample string, check func(string) error, put func(*draft, string)) field {
	return named(func(s string) (string, error) {
		if check == nil {
			return s, nil
		}
		return s, check(s)
	}, sample, put)
}

// pattern is a regular expression that may name only the groups given; the first
// of them it must name.
func pattern(put func(*draft, string), groups ...string) field {
	return words("...", func(s string) error {
		if s == "" {
			return errors.New("is empty and would match every line")
		}
		re, err := regexp.Compile(s)
		if err != nil {
			return fmt.Errorf("is no regular expression of Go's kind: %s", strings.TrimPrefix(err.Error(), "error parsing regexp: "))
		}
		return checkGroups(re, groups)
	}, put)
}

func checkGroups(re *regexp.Regexp, groups []string) error {
	if len(groups) > 0 && re.SubexpIndex(groups[0]) < 0 {
		return fmt.Errorf("has no group %s: write (?P<%s>...) around the number", groups[0], groups[0])
	}
	seen := map[string]bool{"": true}
	for _, name := range re.SubexpNames()[1:] {
		if name != "" && !slices.Contains(groups, name) {
			return fmt.Errorf("has an unknown group %s: %sgroups are %s", name, near.DidYouMean(name, groups), strings.Join(groups, ", "))
		}
		if name != "" && seen[name] {
			return fmt.Errorf("has the group %s twice: keep one", name)
		}
		seen[name] = true
	}
	return nil
}

// needs says whether the value has the kind that a key wants; sample shows how
// such a value is written.
func (v value) needs(kind unstable.Kind, sample string) error {
	if v.kind == kind {
		return nil
	}
	return fmt.Errorf("is %s, but must be %s: write it as %s", kindNames[v.kind], kindNames[kind], sample)
}

// orNumber returns the number that stands in quotes, else the sample.
func (v value) orNumber(sample string) string {
	if _, err := strconv.Atoi(v.text); v.kind == unstable.String && err == nil {
		return v.text
	}
	return sample
}

var kindNames = map[unstable.Kind]string{
	unstable.String: "text", unstable.Bool: "true or false", unstable.Float: "a number with a point",
	unstable.Integer: "a whole number", unstable.Array: "a list", unstable.InlineTable: "a table",
	unstable.LocalDate: "a date", unstable.LocalTime: "a time of day", unstable.LocalDateTime: "a date",
	unstable.DateTime: "a date",
}

// toml returns the value as it is written in a file.
func (v value) toml() string {
	switch v.kind {
	case unstable.String:
		return strconv.Quote(v.text)
	case unstable.Array:
		each := make([]string, len(v.list))
		for i, one := range v.list {
			each[i] = one.toml()
		}
		return "[" + strings.Join(each, ", ") + "]"
	}
	return v.text
}
