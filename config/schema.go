package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"

	"thimbled/config/near"
	"thimbled/peak"
)

// section is a part of the file.
type section struct {
	name     string
	doc      string
	list     bool // written as [[name]], any number of times
	required bool
	optional bool // not there unless it is written
	instead  bool // stands in place of other keys: the reference has it as a comment
	keys     []key
}

// key is one key of a section: the only place that knows its name, its meaning,
// its default and how it is read.
type key struct {
	name string
	doc  string // one sentence
	// fallback is the value of a key that is not written. It may depend on
	// what stands above it in the table. Nil: none.
	fallback func(*draft) value
	// needed says that the key must be written. Nil: never.
	needed func(*draft) bool
	// unfit says why the key has no meaning here; empty if it has. Nil: it has.
	unfit func(*draft) string
	// example is how a key without a fallback may be written.
	example string
	field   field
}

// sections is the table of keys. The order is that of decoding, so that a
// fallback can use what stands above it.
var sections []section

func init() {
	sections = []section{
		{name: "bench", required: true, keys: benchKeys,
			doc: "The bench: frame, cylinder, power unit and instruments."},
		{name: "range", list: true, optional: true, keys: rangeKeys,
			doc: "A measuring range of the load indicator with a division of its own. Write one [[range]] for each, the finest first; without any the bench has one range."},
		{name: "line", list: true, required: true, keys: slices.Concat(lineKeys, textKeys),
			doc: "A wire that instruments hang on. Write one [[line]] for each."},
		{name: "load", required: true, keys: slices.Concat(instrumentKeys("20 ms"), loadKeys),
			doc: "The load indicator."},
		{name: scaleSection, optional: true, instead: true, keys: scaleKeys,
			doc: "How a raw signal is made a force by a calibration, in place of the load's scale and offset."},
		{name: "pressure", optional: true, keys: slices.Concat(instrumentKeys("100 ms"), pressureKeys),
			doc: "The pressure transducer; a bench without one leaves the section out."},
		{name: "cylinder", optional: true, keys: cylinderKeys,
			doc: "The cylinder, to compare the force with its pressure; leave the section out and nothing is compared."},
		{name: "capture", keys: captureKeys,
			doc: "When a pull starts and ends and what is remarkable in it. All forces are net."},
		{name: "zero", keys: zeroKeys,
			doc: "How zero is kept."},
		{name: "decision", keys: decisionKeys,
			doc: "How the uncertainty of forces counts when they are judged."},
		{name: "journal", keys: journalKeys,
			doc: "Where the records are kept."},
		{name: "seal", keys: sealKeys,
			doc: "How the records are signed."},
		{name: "access", keys: accessKeys,
			doc: "Who may use the bench, and from where."},
		{name: "nats", keys: slices.Concat(natsKeys, natsSignKeys),
			doc: "How readings and events are published."},
		{name: "http", keys: httpKeys,
			doc: "The page, /metrics and /healthz."},
		{name: "loft", keys: loftKeys,
			doc: "Who tests; it stands at the head of certificates."},
		{name: "rule", list: true, optional: true, keys: ruleKeys,
			doc: "A proof-load rule of the loft's own, beside the published ones that thimbled rules lists."},
	}
}

func always(*draft) bool { return true }

// text and integer are fallbacks that depend on nothing.
func text(s string) func(*draft) value {
	return func(*draft) value { return str(s) }
}

func integer(n int) func(*draft) value {
	return func(*draft) value { return num(n) }
}

func str(s string) value { return value{kind: unstable.String, text: s} }
func num(n int) value    { return value{kind: unstable.Integer, text: strconv.Itoa(n)} }

// share is the fallback that is so much of the capacity.
func share(r peak.Ratio) func(*draft) value {
	return func(d *draft) value { return str(forceText(r.Of(d.cfg.Bench.Capacity))) }
}

// atLeast is a time, but no less than so many times the load's every.
func atLeast(least time.Duration, times int) func(*draft) value {
	return func(d *draft) value {
		return str(timeText(max(least, time.Duration(times)*d.cfg.Load.Every)))
	}
}

// forceText writes a force exactly, in kN if that is whole.
func forceText(f peak.Force) string {
	if f != 0 && f%peak.Kilonewton == 0 {
		return peak.UnitKN.Show(f, 0)
	}
	return f.String()
}

// timeText writes a time exactly, in one unit if that is whole.
func timeText(t time.Duration) string {
	switch {
	case t%time.Second == 0:
		return fmt.Sprintf("%d s", t/time.Second)
	case t%time.Millisecond == 0:
		return fmt.Sprintf("%d ms", t/time.Millisecond)
	}
	return t.String()
}

func findSection(name string) (section, bool) {
	for _, s := range sections {
		if s.name == name {
			return s, true
		}
	}
	return section{}, false
}

func (s section) find(name string) (key, bool) {
	for _, k := range s.keys {
		if k.name == name {
			return k, true
		}
	}
	return key{}, false
}

// sample says that the section has no defaults: it need not be there, and where
// it is a list any number of it may be.
func (s section) sample() bool { return s.optional && (s.list || s.instead) }

// header is how the section is begun in a file.
func (s section) header() string {
	if s.list {
		return "[[" + s.name + "]]"
	}
	return "[" + s.name + "]"
}

func (s section) keyNames() []string {
	names := make([]string, len(s.keys))
	for i, k := range s.keys {
		names[i] = k.name
	}
	return names
}

func isSection(name string) bool {
	_, ok := findSection(name)
	return ok
}

func isList(name string) bool {
	s, _ := findSection(name)
	return s.list
}

// takesText says whether the key's value is written in quotes.
func takesText(sectionName, keyName string) bool {
	s, _ := findSection(sectionName)
	k, _ := s.find(keyName)
	return k.field.text
}

// sectionHint says what an unknown section may have been meant to be.
func sectionHint(name string) string {
	names := make([]string, len(sections))
	headers := make([]string, len(sections))
	for i, s := range sections {
		names[i], headers[i] = s.name, s.header()
	}
	if s, ok := findSection(near.Name(name, names)); ok {
		return "did you mean " + s.header() + "?"
	}
	return "sections are " + strings.Join(headers, ", ")
}

// keyHint says what an unknown key may have been meant to be, or where it
// belongs.
func keyHint(sectionName, name string) string {
	s, known := findSection(sectionName)
	if hint := near.DidYouMean(name, s.keyNames()); hint != "" {
		return strings.TrimSpace(hint)
	}
	var homes []string
	for _, other := range sections {
		if _, ok := other.find(name); ok {
			homes = append(homes, other.header())
		}
	}
	switch {
	case len(homes) > 0:
		return "it belongs under " + strings.Join(homes, " or ")
	case known:
		return "keys of " + s.header() + " are " + strings.Join(s.keyNames(), ", ")
	}
	return sectionHint(name)
}
