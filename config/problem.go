package config

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
)

// Problem is one thing that is wrong with a file, or worth a second look.
type Problem struct {
	File      string
	Line, Col int    // from 1; columns count characters
	Key       string // such as "load.every"; empty if no key is concerned
	Text      string // what is wrong and what would be right
}

// String is file:line:col: key: text.
func (p Problem) String() string {
	s := p.File + ":" + strconv.Itoa(p.Line) + ":" + strconv.Itoa(p.Col) + ": "
	if p.Key != "" {
		s += p.Key + ": "
	}
	return s + p.Text
}

// Problems are all problems of a file, sorted by place. As an error it is never
// empty.
type Problems []Problem

// Error lists the problems, one a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, one := range p {
		lines[i] = one.String()
	}
	return strings.Join(lines, "\n")
}

func (p Problems) sort() {
	slices.SortStableFunc(p, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
}

// place is a position in the file, from 1.
type place struct{ line, col int }

func (p place) String() string { return "line " + strconv.Itoa(p.line) }
