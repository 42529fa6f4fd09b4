package config

import (
	"bytes"
	"errors"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// value is a value of the file. Tables inside a section are of no use to any key;
// only their kind is kept.
type value struct {
	kind unstable.Kind
	text string // of a string what it says, else the value as written
	at   place
	list []value // of an array
}

// entry is a key of a section with its value.
type entry struct {
	key    string
	at     place
	value  value
	broken bool // its problem is known already
}

// block is a [section], or one element of a [[section]].
type block struct {
	section string
	at      place
	list    bool
	entries []entry
}

// document takes a file apart. It goes on behind a line that it cannot read, so
// that one missing quote does not hide the other problems.
type document struct {
	file     string
	data     []byte
	newlines []int // offsets
	parser   unstable.Parser
	base     int // offset of what the parser reads

	blocks   []*block
	prefix   []part // key of the header above; empty before the first
	problems Problems
}

// part is one name of a dotted key.
type part struct {
	name string
	at   place
}

// mostSyntaxErrors ends the reading of something that is no TOML at all.
const mostSyntaxErrors = 20

func readDocument(file string, data []byte) *document {
	d := &document{file: file, data: bytes.TrimPrefix(data, []byte("\ufeff"))}
	for i, c := range d.data {
		if c == '\n' {
			d.newlines = append(d.newlines, i)
		}
	}
	for range mostSyntaxErrors {
		if !d.readOn() {
			return d
		}
	}
	d.problem(d.place(d.base), "", "is not read from here on: too many lines are no TOML")
	return d
}

// readOn reads up to the next error and reports it. It returns whether there is
// anything left behind the line with the error.
func (d *document) readOn() bool {
	d.parser.Reset(d.data[d.base:])
	for d.parser.NextExpression() {
		d.expression(d.parser.Expression())
	}
	var wrong *unstable.ParserError
	if !errors.As(d.parser.Error(), &wrong) {
		return false
	}
	offset := d.base + int(d.parser.Range(wrong.Highlight).Offset)
	start, end := d.lineAround(offset)
	d.syntaxError(offset, wrong.Message, string(d.data[start:end]))
	d.base = min(end+1, len(d.data))
	return d.base < len(d.data)
}

// checkWhole asks the library's decoder for what only the whole file shows, such
// as a table that is defined in two ways. It tells the first problem only, so it
// is asked when no other is left.
func (d *document) checkWhole() Problems {
	var all map[string]any
	var wrong *toml.DecodeError
	err := toml.Unmarshal(d.data, &all)
	switch {
	case errors.As(err, &wrong):
		line, col := wrong.Position()
		offset := d.lineStart(line-1) + col - 1 // of the byte that its column counts
		d.problem(d.place(offset), strings.Join(wrong.Key(), "."), "is not valid TOML: "+tidy(wrong.Error()))
	case err != nil:
		d.problem(place{1, 1}, "", "is not valid TOML: "+tidy(err.Error()))
	}
	return d.problems
}

func tidy(message string) string { return strings.TrimPrefix(message, "toml: ") }

func (d *document) problem(at place, key, text string) {
	d.problems = append(d.problems, Problem{File: d.file, Line: at.line, Col: at.col, Key: key, Text: text})
}

// expression takes one header or key of the file.
func (d *document) expression(node *unstable.Node) {
	switch node.Kind {
	case unstable.Table, unstable.ArrayTable:
		d.header(d.parts(node.Key()), node.Kind == unstable.ArrayTable)
	case unstable.KeyValue:
		d.keyValue(d.prefix, node)
	}
}

func (d *document) header(path []part, list bool) {
	path = joinSection(path)
	d.prefix = path
	if len(path) == 1 {
		d.open(path[0], list)
		return
	}
	d.problem(path[0].at, join(path), "is no section: "+sectionHint(path[0].name))
}

// open begins a section. One that is given twice is a problem, and its second
// part is read as if it stood with the first.
func (d *document) open(name part, list bool) {
	if earlier := d.find(name.name); earlier != nil && !(list && earlier.list) {
		d.problem(name.at, bare(name.name), "is given twice, first in "+earlier.at.String()+": put its keys together")
		return
	}
	d.blocks = append(d.blocks, &block{section: name.name, at: name.at, list: list})
}

// find returns the last block of a section.
func (d *document) find(section string) *block {
	for i := len(d.blocks) - 1; i >= 0; i-- {
		if d.blocks[i].section == section {
			return d.blocks[i]
		}
	}
	return nil
}

// keyValue takes a key, which may be dotted, and its value, which may be an
// inline table, so that every way of writing a section ends in a block.
func (d *document) keyValue(prefix []part, node *unstable.Node) {
	path := append(prefix[:len(prefix):len(prefix)], d.parts(node.Key())...)
	v := node.Value()
	if len(path) > 2 || v.Kind == unstable.InlineTable {
		path = joinSection(path)
	}
	switch {
	case len(path) == 1 && v.Kind == unstable.InlineTable:
		d.inline(path[0], false, v)
	case len(path) == 1 && v.Kind == unstable.Array && isList(path[0].name):
		for each := v.Children(); each.Next(); {
			d.inline(path[0], true, each.Node())
		}
	case len(path) == 1 && isSection(path[0].name):
		d.problem(path[0].at, path[0].name, "must be a table: write ["+path[0].name+"] and its keys below it")
	case len(path) == 1:
		d.problem(path[0].at, bare(path[0].name), "stands outside of every section: "+keyHint("", path[0].name))
	case len(path) == 2:
		d.add(path[0], entry{key: path[1].name, at: path[1].at, value: d.value(v, path[1].at)})
	case len(prefix) < 2: // under a longer header, that was the problem
		d.problem(path[len(prefix)].at, join(path), "is no key: "+keyHint(path[0].name, path[1].name))
	}
}

func (d *document) inline(name part, list bool, table *unstable.Node) {
	if table.Kind != unstable.InlineTable {
		d.problem(name.at, name.name, "must be a list of tables, written as [["+name.name+"]]")
		return
	}
	d.open(name, list)
	for each := table.Children(); each.Next(); {
		d.keyValue([]part{name}, each.Node())
	}
}

// add puts an entry into its section, which a dotted key opens by itself.
func (d *document) add(section part, e entry) {
	b := d.find(section.name)
	if b == nil {
		d.open(section, false)
		b = d.find(section.name)
	}
	for _, earlier := range b.entries {
		if earlier.key == e.key {
			d.problem(e.at, bare(section.name)+"."+bare(e.key), "is given twice, first in "+earlier.at.String()+": keep one")
			return
		}
	}
	b.entries = append(b.entries, e)
}

func (d *document) parts(keys unstable.Iterator) []part {
	var path []part
	for keys.Next() {
		node := keys.Node()
		name := string(node.Data)
		if strings.Contains(name, ".") && isSection(name) {
			name = strconv.Quote(name) // a name with a point in it is not two names
		}
		path = append(path, part{name, d.place(d.base + int(node.Raw.Offset))})
	}
	return path
}

// joinSection makes one part of the two names of a section inside another.
func joinSection(path []part) []part {
	if len(path) < 2 {
		return path
	}
	name := path[0].name + "." + path[1].name
	if !isSection(name) {
		return path
	}
	return append([]part{{name, path[0].at}}, path[2:]...)
}

// value copies a node's value; the parser does not place arrays, so those stand
// where their key stands.
func (d *document) value(node *unstable.Node, key place) value {
	v := value{kind: node.Kind, text: string(node.Data), at: key}
	if node.Raw.Length > 0 {
		v.at = d.place(d.base + int(node.Raw.Offset))
	}
	if node.Kind == unstable.Array {
		for each := node.Children(); each.Next(); {
			v.list = append(v.list, d.value(each.Node(), key))
		}
	}
	return v
}

func (d *document) place(offset int) place {
	line := sort.SearchInts(d.newlines, offset)
	start := d.lineStart(line)
	for offset > start && offset < len(d.data) && !utf8.RuneStart(d.data[offset]) {
		offset--
	}
	return place{line + 1, utf8.RuneCount(d.data[start:offset]) + 1}
}

// lineStart returns where a line begins, counted from 0.
func (d *document) lineStart(line int) int {
	if line == 0 {
		return 0
	}
	return d.newlines[line-1] + 1
}

// lineAround returns where the line with offset begins and ends.
func (d *document) lineAround(offset int) (start, end int) {
	start = bytes.LastIndexByte(d.data[:offset], '\n') + 1
	if n := bytes.IndexByte(d.data[offset:], '\n'); n >= 0 {
		return start, offset + n
	}
	return start, len(d.data)
}

func join(path []part) string {
	names := make([]string, len(path))
	for i, p := range path {
		names[i] = bare(p.name)
	}
	return strings.Join(names, ".")
}

// bare quotes a name that could not be written without quotes.
func bare(name string) string {
	if bareName.MatchString(name) || isSection(name) {
		return name
	}
	return strconv.Quote(name)
}

var bareName = regexp.MustCompile(`^[A-Za-z0-9_-]+$`)
