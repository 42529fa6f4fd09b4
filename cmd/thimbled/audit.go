package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"

	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

const auditArgs = "DIR [--key PUB]… [--certificate F]… [--proof F]… [--checkpoints F]… [--recompute [--config F [--rescale]]] [--json]"

// auditFlags are the flags of thimbled audit; each but json may be there several
// times.
type auditFlags struct {
	keys, certificates, proofs, checkpoints list
	json                                    bool
	again                                   recomputeFlags
}

// list is a flag that may be there several times.
type list []string

func (l *list) String() string { return fmt.Sprint(*l) }

func (l *list) Set(text string) error {
	*l = append(*l, text)
	return nil
}

func addAuditFlags(f *flag.FlagSet) *auditFlags {
	a := &auditFlags{}
	f.Var(&a.keys, "key", "the public `key` that must have signed: a .pub file, an ssh-ed25519 line, or a verifier key name+hash+key")
	f.Var(&a.certificates, "certificate", "a certificate's `file`, whose signature is beside it in file.sig")
	f.Var(&a.proofs, "proof", "a `file` that thimbled prove wrote")
	f.Var(&a.checkpoints, "checkpoints", "a `file` of checkpoints that somebody else kept")
	a.again.add(f)
	f.BoolVar(&a.json, "json", false, "answer in JSON")
	return a
}

func auditCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "audit", auditArgs)
	a := addAuditFlags(f)
	words, err := parseWords(f, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return usagef("need one folder")
	}
	keys, err := publicKeys(a.keys)
	if err != nil {
		return err
	}
	r, err := a.audit(words[0], keys)
	if errors.Is(err, journal.ErrNoJournal) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	if a.json {
		err = tellAuditJSON(out.out, r)
	} else {
		tellAudit(out.out, words[0], r)
	}
	if err == nil && !r.sound() {
		return errNo
	}
	return err
}

// audited is what an audit found.
type audited struct {
	journal.Report
	seal  seal.Report
	again *recomputed // nil: pulls were not judged again
	keyed bool        // somebody said which keys must have signed
}

func (r *audited) sound() bool { return r.Sound() && len(r.seal.Problems) == 0 && r.again.sound() }

// audit checks a journal and everything that is held against it.
func (a *auditFlags) audit(dir string, keys []seal.PublicKey) (*audited, error) {
	signed := seal.NewAuditor(keys)
	again, err := a.again.begin(dir)
	if err != nil {
		return nil, err
	}
	r, err := journal.AuditEach(dir, again.beside(signed.Record))
	recomputed := again.end()
	if err != nil {
		return nil, err
	}
	signed.End()
	for _, name := range a.checkpoints {
		held(signed, name, func(text []byte) { signed.Copies(name, string(text)) })
	}
	for _, name := range a.proofs {
		held(signed, name, func(text []byte) { signed.Proof(name, string(text)) })
	}
	for _, name := range a.certificates {
		held(signed, name, func(content []byte) {
			held(signed, name+signatureSuffix, func(signature []byte) { signed.Certificate(name, content, signature) })
		})
	}
	return &audited{Report: r, seal: signed.Report(), again: recomputed, keyed: len(keys) > 0}, nil
}

// held reads a file that is held against the journal.
func held(a *seal.Auditor, name string, check func([]byte)) {
	content, err := os.ReadFile(name)
	if err != nil {
		a.Unreadable(name, err)
		return
	}
	check(content)
}

// problems are all the places at fault.
func (r *audited) problems() []journal.Damage {
	all := r.Problems
	for _, p := range r.seal.Problems {
		all = append(all, journal.Damage{File: p.File, Line: p.Line, Record: p.Record, Reason: p.Reason})
	}
	if r.again != nil {
		all = append(all, r.again.problems...)
	}
	return all
}

func (r *audited) notes() []journal.Note {
	all := r.Notes
	for _, n := range r.seal.Notes {
		all = append(all, journal.Note(n))
	}
	if r.again != nil {
		all = append(all, r.again.notes()...)
	}
	return all
}

func tellAudit(w io.Writer, dir string, r *audited) {
	for _, n := range r.notes() {
		fmt.Fprintf(w, "note: %s: %s\n", n.File, n.Text)
	}
	for _, p := range r.problems() {
		fmt.Fprintln(w, "damaged:", p.Error())
	}
	if r.Omitted > 0 {
		fmt.Fprintf(w, "damaged: %d more places\n", r.Omitted)
	}
	if r.again != nil {
		r.again.tell(w)
	}
	if !r.sound() {
		fmt.Fprintf(w, "The journal in %s is not sound.\n", dir)
		return
	}
	fmt.Fprintf(w, "The journal of bench %s in %s is sound: %d records in %d segments, %d traces.\n", r.Bench, dir, r.Records, r.Segments, r.Traces)
	fmt.Fprintf(w, "Record %d is the last; the SHA-256 of its line is %s.\n", r.Last, r.LastHash)
	tellSeals(w, r)
}

// tellSeals says what the signatures of a sound journal show.
func tellSeals(w io.Writer, r *audited) {
	if s := r.seal; s.Checkpoints > 0 {
		whose := "a key that the journal itself names; --key PUB says which it must be"
		if r.keyed {
			whose = "the given key"
		}
		fmt.Fprintf(w, "%d checkpoints seal records 1 to %d, root %s, signed with %s.\n", s.Checkpoints, s.Sealed, s.Root, whose)
	}
	for _, held := range []struct {
		n    int
		what string
	}{
		{r.seal.Copies, "checkpoints that were kept elsewhere agree with it"},
		{r.seal.Proofs, "proofs lead from its records"},
		{r.seal.Certificates, "certificates are as they were signed"},
	} {
		if held.n > 0 {
			fmt.Fprintf(w, "%d %s.\n", held.n, held.what)
		}
	}
}

func tellAuditJSON(w io.Writer, r *audited) error {
	type place struct {
		File   string `json:"file"`
		Line   int    `json:"line"`
		Offset int64  `json:"byte"`
		Record uint64 `json:"record"`
		Reason string `json:"reason"`
	}
	type note struct {
		File string `json:"file"`
		Text string `json:"text"`
	}
	answer := struct {
		Sound        bool     `json:"sound"`
		Bench        string   `json:"bench"`
		Records      uint64   `json:"records"`
		Last         uint64   `json:"last_record"`
		LastHash     string   `json:"last_line_sha256"`
		Segments     int      `json:"segments"`
		Traces       int      `json:"traces"`
		Checkpoints  int      `json:"checkpoints"`
		Sealed       int64    `json:"sealed_records"`
		Root         string   `json:"sealed_root"`
		Keys         []string `json:"keys"`
		KeyGiven     bool     `json:"key_given"`
		Copies       int      `json:"copies"`
		Proofs       int      `json:"proofs"`
		Certificates int      `json:"certificates"`
		Problems     []place  `json:"problems"`
		Omitted      int      `json:"problems_omitted"`
		Notes        []note   `json:"notes"`

		Recomputed *recomputedJSON `json:"recomputed,omitempty"`
	}{
		Sound: r.sound(), Bench: r.Bench, Records: r.Records, Last: r.Last, LastHash: r.LastHash, Segments: r.Segments, Traces: r.Traces,
		Checkpoints: r.seal.Checkpoints, Sealed: r.seal.Sealed, Root: r.seal.Root, Keys: append([]string{}, r.seal.Keys...), KeyGiven: r.keyed,
		Copies: r.seal.Copies, Proofs: r.seal.Proofs, Certificates: r.seal.Certificates,
		Problems: []place{}, Omitted: r.Omitted, Notes: []note{},
		Recomputed: r.again.json(),
	}
	for _, p := range r.problems() {
		answer.Problems = append(answer.Problems, place(p))
	}
	for _, n := range r.notes() {
		answer.Notes = append(answer.Notes, note(n))
	}
	return json.NewEncoder(w).Encode(answer)
}
