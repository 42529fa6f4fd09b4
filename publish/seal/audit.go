package seal

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// Problem is a place where a journal, or what goes with it, is not what was signed.
type Problem struct {
	File   string
	Line   int    // from 1; 0 when the file as a whole, or a record, is meant
	Record uint64 // 0 when no record is meant
	Reason string
}

// Note is a thing to know that is no problem.
type Note struct{ File, Text string }

// Report is what an audit of the signatures found.
type Report struct {
	Checkpoints  int    // in the journal, sound
	Sealed       int64  // the first so many records are sealed
	Root         string // of the tree over those, in base64; empty if there are none
	Copies       int    // a second party's checkpoints that agree
	Proofs       int    // sound
	Certificates int    // whose signature is sound
	// Keys are the verifier keys that the sound checkpoints of the journal were
	// signed with.
	Keys     []string
	Problems []Problem
	Notes    []Note
}

// Auditor checks the checkpoints of a journal against its lines, and then what
// others hold of it. Give it each record, in order, then End, then the rest.
// It keeps 64 bytes a record.
type Auditor struct {
	trusted []PublicKey // none: the keys that the journal itself names
	named   []PublicKey
	tree    tree
	last    uint64 // the number of the last record
	gap     uint64 // the first record whose line is missing; 0 if none is
	file    string // of the last record
	sound   []statement
	best    statement // the first of those that seal most
	unlike  int       // checkpoints that do not agree with the lines before them
	tests   []place   // the ends of tests
	report  Report
}

type place struct {
	file   string
	record uint64
}

// statement is a sound checkpoint in the journal.
type statement struct {
	place
	size   int64
	signed string
}

// NewAuditor returns an auditor that trusts the given keys alone. Without any it
// checks signatures with the keys that the journal names, which shows only that
// whoever wrote it had one.
func NewAuditor(trusted []PublicKey) *Auditor { return &Auditor{trusted: trusted} }

// keys are those whose signatures count.
func (a *Auditor) keys() []PublicKey {
	if len(a.trusted) > 0 {
		return a.trusted
	}
	return a.named
}

func (a *Auditor) problem(at place, format string, args ...any) {
	a.report.Problems = append(a.report.Problems, Problem{File: at.file, Record: at.record, Reason: fmt.Sprintf(format, args...)})
}

// Record takes the next record and the name of the file that holds it. The record
// must be sound in itself; whether lines are missing is seen by its number.
func (a *Auditor) Record(file string, r publish.Record) {
	if r.Number != a.last+1 && a.gap == 0 {
		a.gap = a.last + 1
	}
	a.file, a.last = file, r.Number
	switch at := (place{file, r.Number}); r.Type {
	case peak.TypeJournalSealed:
		a.sealed(at, r)
	case peak.TypeTestEnded:
		a.tests = append(a.tests, at)
	}
	if a.gap == 0 {
		a.tree.add(r.Line)
	}
}

// statementOf returns what a sealed event says.
func statementOf(r publish.Record) (peak.JournalSealed, error) {
	e, err := publish.Decode(r.Event, publish.Clock{Epoch: time.Unix(0, 0)}, publish.Traces{})
	if err != nil {
		return peak.JournalSealed{}, err
	}
	return e.(peak.JournalSealed), nil
}

// sealed checks a checkpoint of the journal against the lines before it.
func (a *Auditor) sealed(at place, r publish.Record) {
	e, err := statementOf(r)
	if err != nil {
		a.problem(at, "is no record of a checkpoint")
		return
	}
	keys := a.trusted
	if len(keys) == 0 {
		k, err := ParsePublicKey(e.Key)
		if err != nil {
			a.problem(at, "names a key that is none")
			return
		}
		keys = []PublicKey{k}
	}
	c, err := open(e.Checkpoint, keys)
	switch {
	case err != nil:
		a.problem(at, "has a checkpoint that does not count: %v", err)
	case e.Size != c.Size || e.Root != c.Root() || !slices.ContainsFunc(keys, func(k PublicKey) bool { return k.Verifier(c.Origin) == e.Key }):
		a.problem(at, "says other than its checkpoint")
	default:
		a.compare(at, statement{at, c.Size, e.Checkpoint}, c, e.Key)
	}
}

// compare compares a checkpoint whose signature is right with the tree.
func (a *Auditor) compare(at place, s statement, c Checkpoint, key string) {
	switch {
	case c.Size >= int64(at.record):
		a.problem(at, "seals %d records, which had not been written yet", c.Size)
	case c.Size > a.tree.size: // a line is missing, which is told at the end
	case rootOf(c.Size, &a.tree) != c.root:
		if a.unlike++; a.unlike == 1 {
			a.problem(at, "has a checkpoint that does not agree with records %d to %d: not all of them are as they were signed", a.best.size+1, c.Size)
		}
	default:
		a.report.Checkpoints++
		a.sound = append(a.sound, s)
		if s.size > a.best.size {
			a.best = s
		}
		if !slices.Contains(a.report.Keys, key) {
			a.report.Keys = append(a.report.Keys, key)
			a.name(at, key)
		}
	}
}

// name takes note of a key that the journal names.
func (a *Auditor) name(at place, key string) {
	k, err := ParsePublicKey(key)
	if err != nil {
		return // it verified a checkpoint
	}
	a.named = append(a.named, PublicKey{key: k.key})
	if len(a.trusted) == 0 && len(a.named) > 1 {
		a.report.Notes = append(a.report.Notes, Note{at.file, fmt.Sprintf("record %d: from here on another key signs", at.record)})
	}
}

// End says that there are no more records, and looks for what is not sealed.
func (a *Auditor) End() {
	if a.unlike > 1 {
		a.report.Notes = append(a.report.Notes, Note{a.file, fmt.Sprintf("%d more checkpoints do not agree either", a.unlike-1)})
	}
	if a.gap != 0 {
		a.problem(place{a.file, a.gap}, "is missing or damaged: no checkpoint after it can be compared")
	}
	a.report.Sealed = a.best.size
	if a.best.size > 0 {
		a.report.Root = rootOf(a.best.size, &a.tree).String()
	}
	a.unsealed()
}

// unsealed tells what no checkpoint seals.
func (a *Auditor) unsealed() {
	from := uint64(a.best.size) + 1
	if from == a.best.record { // the last checkpoint's own record
		from++
	}
	if from > a.last {
		return
	}
	what := fmt.Sprintf("no checkpoint seals records %d to %d", from, a.last)
	if a.best.size == 0 {
		what = "no checkpoint seals anything: whether a record was changed with all hashes after it cannot be seen"
	}
	if len(a.trusted) == 0 {
		a.report.Notes = append(a.report.Notes, Note{a.file, what})
		return
	}
	for _, test := range a.tests {
		if test.record >= from {
			a.problem(test, "ends a test that no checkpoint seals")
		}
	}
	a.problem(place{a.file, from}, "%s", what)
}

// ErrNotSealed says that no sound checkpoint seals a record.
var ErrNotSealed = errors.New("no sound checkpoint seals it")

// Prove returns a proof that a record is among those that the first checkpoint
// after it seals, as a text in the format of C2SP tlog-proof. Its error is
// ErrNotSealed.
func (a *Auditor) Prove(record uint64) ([]byte, error) {
	for _, s := range a.sound {
		if record == 0 || record > uint64(s.size) {
			continue
		}
		path, err := a.tree.prove(s.size, int64(record))
		if err != nil {
			return nil, fmt.Errorf("prove record %d: %w", record, err)
		}
		p := proof{index: int64(record) - 1, path: path, signed: s.signed}
		if _, err := p.check(a.tree.leaf(int64(record)), a.keys()); err != nil {
			return nil, fmt.Errorf("prove record %d: %w", record, err)
		}
		return p.format(), nil
	}
	return nil, fmt.Errorf("prove record %d: %w", record, ErrNotSealed)
}

// Report returns what was found.
func (a *Auditor) Report() Report { return a.report }

// NoteOf returns the signed note of a record of a checkpoint, unchecked.
func NoteOf(r publish.Record) (string, error) {
	e, err := statementOf(r)
	if err != nil {
		return "", fmt.Errorf("read checkpoint of record %d: %w", r.Number, err)
	}
	return e.Checkpoint, nil
}
