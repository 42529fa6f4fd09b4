package seal

import "fmt"

// What others hold is checked once all records are known.

// Copies checks checkpoints that a second party kept: signed notes one after
// the other, or the data of sealed events, one a line. Each must be of this journal
// and agree with it: that is how a journal is found out that was written anew, or
// cut short, by somebody who has the key.
func (a *Auditor) Copies(file, text string) {
	list, err := parseCollected(text)
	if err != nil {
		a.problem(place{file: file}, "holds something else than checkpoints: %v", err)
		return
	}
	if len(list) == 0 {
		a.problem(place{file: file}, "holds no checkpoint")
	}
	for _, c := range list {
		if why := a.copied(c.signed); why != "" {
			a.report.Problems = append(a.report.Problems, Problem{File: file, Line: c.line, Reason: why})
			continue
		}
		a.report.Copies++
	}
}

// copied says what is wrong with a checkpoint that somebody kept; empty if nothing.
func (a *Auditor) copied(signed string) string {
	c, err := open(signed, a.keys())
	switch {
	case err != nil:
		return fmt.Sprintf("the checkpoint does not count: %v", err)
	case a.gap == 0 && c.Size > a.tree.size:
		return fmt.Sprintf("the checkpoint seals %d records and the journal has %d: records are missing at its end", c.Size, a.tree.size)
	case c.Size > a.tree.size:
		return fmt.Sprintf("the checkpoint cannot be compared, since record %d is missing or damaged", a.gap)
	case rootOf(c.Size, &a.tree) != c.root:
		return fmt.Sprintf("the checkpoint does not agree with records 1 to %d: the journal was written anew", c.Size)
	}
	return ""
}

// Proof checks that a proof leads from a record of the journal, and says which.
func (a *Auditor) Proof(file, text string) {
	p, err := parseProof(text)
	if err != nil {
		a.problem(place{file: file}, "%v", err)
		return
	}
	at := place{file: file, record: uint64(p.index) + 1}
	if p.index >= a.tree.size {
		a.problem(at, "is not in the journal, or a line before it is missing or damaged")
		return
	}
	c, err := p.check(a.tree.leaf(p.index+1), a.keys())
	switch {
	case err != nil:
		a.problem(at, "%v", err)
	case c.Size > a.tree.size || rootOf(c.Size, &a.tree) != c.root:
		a.problem(at, "its checkpoint does not agree with the journal")
	default:
		a.report.Proofs++
	}
}

// Certificate checks the detached signature of a certificate.
func (a *Auditor) Certificate(file string, content, signature []byte) {
	if err := VerifyFile(content, signature, a.keys()); err != nil {
		a.problem(place{file: file}, "its signature does not count: %v", err)
		return
	}
	a.report.Certificates++
}

// Unreadable tells that something that is held cannot be read.
func (a *Auditor) Unreadable(file string, err error) {
	a.problem(place{file: file}, "cannot be read: %v", err)
}
