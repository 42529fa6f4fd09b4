package config

import (
	"fmt"
	"io"
	"strings"
)

// referenceHead is what a config needs; the reference is written for it.
const referenceHead = `[bench]
id = "dock-3"
capacity = "250 kN"
[[line]]
name = "rs485"
kind = "rtu"
device = "/dev/serial/by-id/usb-adapter-port0"
[load]
line = "rs485"
[pressure]
line = "rs485"
[cylinder]
bore = "200 mm"
rod = "110 mm"
`

// Defaults writes every key with what it means and its default, as a config that
// is valid and means the same as one that leaves the defaults out. A key that
// needs no value and has no default, or that another kind of line has, is a
// comment with an example.
func Defaults(w io.Writer) error {
	d := decode(readDocument("reference", []byte(referenceHead)))
	if len(d.problems) > 0 {
		panic("defaults: " + d.problems.Error()) // the text is ours
	}
	var b strings.Builder
	comment(&b, "Every key of a config with its default, for a bench of 250 kN. What has no default and is not needed is a comment.")
	for _, s := range sections {
		b.WriteString("\n")
		comment(&b, s.doc)
		if s.sample() {
			s.writeSample(&b)
			continue
		}
		b.WriteString(s.header() + "\n")
		d.enter(d.given[s.name])
		for _, k := range s.keys {
			b.WriteString("\n")
			comment(&b, k.about())
			b.WriteString(k.line(d) + "\n")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// writeSample writes a section that has no defaults as a comment.
func (s section) writeSample(b *strings.Builder) {
	b.WriteString("# " + s.header() + "\n")
	for _, k := range s.keys {
		b.WriteString("\n")
		comment(b, k.about())
		b.WriteString("# " + k.name + " = " + k.example + "\n")
	}
}

// about is the key's sentence with what is allowed.
func (k key) about() string {
	about := k.doc
	if k.field.allowed != "" {
		about += " Allowed: " + k.field.allowed + "."
	}
	if k.needed != nil && k.needed(&draft{cfg: &Config{}, line: &Line{}, rule: &ruleBlock{}}) {
		about += " Needed."
	}
	return about
}

// line is the key as it is written in the reference.
func (k key) line(d *draft) string {
	fit := k.unfit == nil || k.unfit(d) == ""
	switch {
	case fit && k.needed != nil && k.needed(d):
		return k.name + " = " + k.example
	case k.fallback != nil && fit:
		return k.name + " = " + k.fallback(d).toml()
	case k.fallback != nil:
		return "# " + k.name + " = " + k.fallback(d).toml()
	}
	return "# " + k.name + " = " + k.example
}

// comment writes a text as lines of comment.
func comment(b *strings.Builder, text string) {
	const widest = 96
	line := "#"
	for word := range strings.FieldsSeq(text) {
		if len(line)+1+len(word) > widest {
			fmt.Fprintln(b, line)
			line = "#"
		}
		line += " " + word
	}
	fmt.Fprintln(b, line)
}
