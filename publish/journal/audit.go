package journal

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"thimbled/peak"
	"thimbled/publish"
)

// Report is what an audit found.
type Report struct {
	Bench    string `json:"bench"`     // empty if no sound record says it
	Records  uint64 `json:"records"`   // sound ones
	Last     uint64 `json:"last"`      // the number of the last sound record
	LastHash string `json:"last_hash"` // of its line
	Segments int    `json:"segments"`
	Traces   int    `json:"traces"`  // sealed and sound
	Removed  int    `json:"removed"` // traces that are gone, as a record says
	// Problems are the places where the journal or a trace is not what was
	// written, in the order of the journal. There are no more than
	// MaxProblems of them; Omitted counts the rest.
	Problems []Damage `json:"problems"`
	Omitted  int      `json:"omitted"`
	// Notes are things to know that are no damage.
	Notes []Note `json:"notes"`
}

// MaxProblems is how many problems a report lists.
const MaxProblems = 1000

// Note is a thing to know about a file.
type Note struct {
	File string `json:"file"` // relative to the journal's folder
	Text string `json:"text"`
}

// Sound says that nothing is wrong.
func (r *Report) Sound() bool { return len(r.Problems) == 0 }

// ErrNoJournal says that a folder holds no journal.
var ErrNoJournal = errors.New("there is no journal")

// Audit checks every byte of a journal and of the traces its records name. It
// takes no lock, changes nothing, and may run while a daemon appends. It returns
// an error only if the folder cannot be read or holds no journal; a file that
// cannot be read is a problem.
func Audit(dir string) (Report, error) { return AuditEach(dir, nil) }

// AuditEach is Audit that also shows each record that is sound in itself, in the
// order of the journal, with the name of the segment that holds it. Whether it
// follows the one before is in the report.
func AuditEach(dir string, see func(segment string, r publish.Record)) (Report, error) {
	return audit(OS, dir, someMoments, see)
}

func audit(fsys FS, dir string, patience int, see func(string, publish.Record)) (Report, error) {
	found, err := list(fsys, dir)
	if err != nil {
		return Report{}, fmt.Errorf("audit journal: %w", err)
	}
	if len(found.segments) == 0 && !slices.Contains(found.others, lockName) {
		return Report{}, fmt.Errorf("audit journal %s: %w", dir, ErrNoJournal)
	}
	a := auditor{
		fsys: fsys, dir: dir, patience: patience, see: see, chain: newChain(""), named: map[uint64]bool{}, missing: map[uint64]uint64{},
	}
	a.report.Segments = len(found.segments)
	for _, first := range found.segments {
		a.segment(first)
	}
	a.missingTraces()
	a.others(found.others)
	a.unnamedTraces()
	a.report.Bench, a.report.Last, a.report.LastHash = a.chain.bench, a.chain.last, string(a.chain.hash[:])
	return a.report, nil
}

// auditor walks through a journal once.
type auditor struct {
	fsys     FS
	dir      string
	patience int
	see      func(segment string, r publish.Record)
	report   Report
	chain    *chain
	inHand   uint64          // the pull.started that no pull.ended follows yet; 0 if none
	named    map[uint64]bool // the traces that records name, by number
	// missing are the traces that are not there, with the records that name them, as
	// long as no later record says that they were removed.
	missing map[uint64]uint64
	places  []uint64 // the last record before each problem
}

func (a *auditor) problem(d Damage) {
	if len(a.report.Problems) == MaxProblems {
		a.report.Omitted++
		return
	}
	a.report.Problems = append(a.report.Problems, d)
	a.places = append(a.places, a.chain.last)
}

func (a *auditor) note(file, text string) {
	a.report.Notes = append(a.report.Notes, Note{File: file, Text: text})
}

// segment checks one segment and everything its records name.
func (a *auditor) segment(first uint64) {
	if !a.chain.adrift {
		var d *Damage
		if errors.As(begins(a.chain, first), &d) {
			a.problem(*d)
			a.chain.adrift = true
		}
	}
	if a.chain.adrift {
		a.chain.last = first - 1
	}
	l, err := openLines(a.fsys, a.dir, first)
	if err != nil {
		a.unreadable(segmentName(first), 0, err)
		return
	}
	defer l.close()
	l.patience = a.patience
	for a.line(l) {
	}
}

// unreadable tells that a file, or the rest of it, cannot be read.
func (a *auditor) unreadable(name string, line int, err error) {
	a.problem(Damage{File: name, Line: line, Reason: "cannot be read: " + err.Error()})
	a.chain.adrift = true
}

// line checks one line; it is false after the last one.
func (a *auditor) line(l *lines) bool {
	e, err := l.follow(a.chain)
	if err == io.EOF {
		return false
	}
	var d *Damage
	if errors.As(err, &d) {
		a.problem(*d)
	} else if err != nil {
		a.unreadable(l.name, l.line+1, err)
		return false
	}
	if a.chain.adrift {
		return true
	}
	a.report.Records++
	a.content(l, &e)
	return true
}

// content checks what a sound line says.
func (a *auditor) content(l *lines, e *entry) {
	if !e.stamps() || !json.Valid(e.data) {
		a.problem(*l.damage(e.number, errLayout))
		return
	}
	if a.see != nil {
		a.show(l, e)
	}
	switch string(e.kind) {
	case peak.TypePullStarted:
		a.inHand = e.number
	case peak.TypePullEnded:
		a.pullEnded(l, e)
		a.inHand = 0
	case peak.TypeTraceRemoved:
		a.traceRemoved(l, e)
	}
}

func (a *auditor) show(l *lines, e *entry) {
	r, err := e.record()
	if err != nil {
		a.problem(*l.damage(e.number, err))
		return
	}
	a.see(l.name, r)
}

// pullEnded checks the trace that a pull.ended names.
func (a *auditor) pullEnded(l *lines, e *entry) {
	var data struct {
		Pull  int64          `json:"pull"`
		Trace *publish.Trace `json:"trace"`
	}
	if err := json.Unmarshal(e.data, &data); err != nil {
		a.problem(*l.damage(e.number, errLayout))
		return
	}
	if data.Trace == nil {
		a.note(l.name, fmt.Sprintf("record %d: pull %d has no trace", e.number, data.Pull))
		return
	}
	number, ok := traceNumber(data.Trace.Name)
	if !ok || a.inHand != 0 && number != a.inHand {
		a.problem(*l.damage(e.number, fmt.Errorf("names %q, which is not the trace of its pull", data.Trace.Name)))
		return
	}
	a.named[number] = true
	a.trace(number, *data.Trace, e.number)
}

// others notes the files that are no part of a journal.
func (a *auditor) others(names []string) {
	for _, name := range names {
		switch {
		case name == lockName, name == formatName, name == noteName:
		case strings.Contains(name, keptInfix):
			a.note(name, "damage that was cut off and kept aside")
		default:
			a.note(name, "no part of the journal")
		}
	}
}

// unnamedTraces notes the traces that no record names with a digest.
func (a *auditor) unnamedTraces() {
	entries, err := a.fsys.ReadDir(a.tracesPath())
	if err != nil {
		return // a trace that is missing was told where it is named
	}
	slices.SortFunc(entries, func(x, y fs.DirEntry) int { return cmp.Compare(x.Name(), y.Name()) })
	for _, e := range entries {
		name := tracesDir + "/" + e.Name()
		number, ok := numbered(e.Name(), traceSuffix)
		switch {
		case ok && a.named[number]:
		case ok && number == a.inHand:
			a.note(name, "the trace of a pull in hand, not sealed yet")
		case ok:
			a.note(name, "no record names this trace")
		case strings.Contains(e.Name(), keptInfix):
			a.note(name, "damage that was cut off and kept aside")
		default:
			a.note(name, "no part of the journal")
		}
	}
}
