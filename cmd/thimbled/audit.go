package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"thimbled/publish/journal"
)

func auditCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "audit", "[--json] DIR")
	asJSON := f.Bool("json", false, "answer in JSON")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() != 1 {
		return usagef("need one folder")
	}
	r, err := journal.Audit(f.Arg(0))
	if errors.Is(err, journal.ErrNoJournal) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	if *asJSON {
		err = tellAuditJSON(out.out, r)
	} else {
		tellAudit(out.out, f.Arg(0), r)
	}
	if err == nil && !r.Sound() {
		return errNo
	}
	return err
}

func tellAudit(w io.Writer, dir string, r journal.Report) {
	for _, n := range r.Notes {
		fmt.Fprintf(w, "note: %s: %s\n", n.File, n.Text)
	}
	for _, p := range r.Problems {
		fmt.Fprintln(w, "damaged:", p.Error())
	}
	if r.Omitted > 0 {
		fmt.Fprintf(w, "damaged: %d more places\n", r.Omitted)
	}
	if !r.Sound() {
		fmt.Fprintf(w, "The journal in %s is not sound.\n", dir)
		return
	}
	fmt.Fprintf(w, "The journal of bench %s in %s is sound: %d records in %d segments, %d traces.\n", r.Bench, dir, r.Records, r.Segments, r.Traces)
	fmt.Fprintf(w, "Record %d is the last; the SHA-256 of its line is %s.\n", r.Last, r.LastHash)
}

func tellAuditJSON(w io.Writer, r journal.Report) error {
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
		Sound    bool    `json:"sound"`
		Bench    string  `json:"bench"`
		Records  uint64  `json:"records"`
		Last     uint64  `json:"last_record"`
		LastHash string  `json:"last_line_sha256"`
		Segments int     `json:"segments"`
		Traces   int     `json:"traces"`
		Problems []place `json:"problems"`
		Omitted  int     `json:"problems_omitted"`
		Notes    []note  `json:"notes"`
	}{
		Sound: r.Sound(), Bench: r.Bench, Records: r.Records, Last: r.Last, LastHash: r.LastHash, Segments: r.Segments,
		Traces: r.Traces, Problems: []place{}, Omitted: r.Omitted, Notes: []note{},
	}
	for _, p := range r.Problems {
		answer.Problems = append(answer.Problems, place(p))
	}
	for _, n := range r.Notes {
		answer.Notes = append(answer.Notes, note(n))
	}
	return json.NewEncoder(w).Encode(answer)
}
