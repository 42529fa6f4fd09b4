package config

import (
	"regexp"
	"strconv"
	"strings"
)

var (
	unquoted   = regexp.MustCompile(`^[^=]*=\s*([^\s"'\[\]{}=#][^"'\[\]{}=#]*)`)
	anyKey     = regexp.MustCompile(`^\s*([A-Za-z0-9_-]+)\s*=`)
	anySection = regexp.MustCompile(`^\s*(\[\[?)\s*([A-Za-z0-9_.-]+)`)
)

// syntaxError reports a line that is no TOML and guesses what it was meant to
// be, so that the rest of the file is still read in the right section.
func (d *document) syntaxError(offset int, message, line string) {
	start, _ := d.lineAround(offset)
	section := ""
	if len(d.prefix) > 0 {
		section = d.prefix[0].name
	}
	if m := anySection.FindStringSubmatchIndex(line); m != nil {
		name := part{line[m[4]:m[5]], d.place(start + m[4])}
		d.problem(d.place(offset), name.name, "is not valid TOML: "+message)
		d.header([]part{name}, line[m[2]:m[3]] == "[[")
		return
	}
	m := anyKey.FindStringSubmatchIndex(line)
	if m == nil {
		d.problem(d.place(offset), "", "is not valid TOML: "+message)
		return
	}
	key := line[m[2]:m[3]]
	at, text := d.place(offset), "is not valid TOML: "+message
	if q := unquoted.FindStringSubmatchIndex(line); q != nil && takesText(section, key) {
		at = d.place(start + q[2])
		text = "lacks quotes: write " + key + " = " + strconv.Quote(strings.TrimSpace(line[q[2]:q[3]]))
	}
	d.brokenKey(section, key, d.place(start+m[2]), at, text)
}

// brokenKey reports a key without a readable value. The key is there all the
// same: nobody is told that it is missing.
func (d *document) brokenKey(section, key string, keyAt, at place, text string) {
	full := key
	if section != "" {
		full = bare(section) + "." + key
		if b := d.find(section); b != nil {
			b.entries = append(b.entries, entry{key: key, at: keyAt, broken: true})
		}
	}
	d.problem(at, full, text)
}
