package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"

	"thimbled/peak"
	"thimbled/publish/certificate"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

const proveArgs = "DIR RECORD|TEST [-o F] [--key PUB]…"

// proveCommand writes the proof that a record is sealed.
func proveCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "prove", proveArgs)
	to := f.String("o", "-", "the `file` to write; - is standard output")
	var trusted list
	f.Var(&trusted, "key", "the public `key` that must have signed, as for thimbled audit")
	words, err := parseWords(f, args)
	if err != nil {
		return err
	}
	if len(words) != 2 || *to == "" {
		return usagef("need the folder of a journal and the number of a record, or the id of the job whose test ended")
	}
	keys, err := publicKeys(trusted)
	if err != nil {
		return err
	}
	number, err := recordNumber(ctx, words[0], words[1])
	var none *certificate.NotFoundError
	if errors.As(err, &none) {
		fmt.Fprintln(out.err, "no:", none)
		return errNo
	}
	if err != nil {
		return err
	}
	proof, err := prove(ctx, words[0], number, keys)
	if errors.Is(err, seal.ErrNotSealed) {
		fmt.Fprintln(out.err, "no:", err)
		return errNo
	}
	if err != nil {
		return err
	}
	return writeAnswer(out.out, *to, proof)
}

// recordNumber is the number of a record, or of the one that ended a job's test.
func recordNumber(ctx context.Context, dir, word string) (uint64, error) {
	if n, err := strconv.ParseUint(word, 10, 64); err == nil {
		return n, nil
	}
	e, err := certificate.Find(until(ctx, journal.Records(dir)), word)
	if err != nil {
		return 0, err
	}
	return e.Record.Number, nil
}

// prove reads a journal, which must be sound, and proves one of its records.
func prove(ctx context.Context, dir string, number uint64, keys []seal.PublicKey) ([]byte, error) {
	a := seal.NewAuditor(keys)
	for r, err := range until(ctx, journal.Records(dir)) {
		if err != nil {
			return nil, err
		}
		a.Record(dir, r)
	}
	return a.Prove(number)
}

// checkpointsCommand prints the checkpoints of a journal for somebody else to keep.
func checkpointsCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "checkpoints", "DIR")
	words, err := parseWords(f, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return usagef("need one folder")
	}
	first := true
	for r, err := range until(ctx, journal.Records(words[0])) {
		if err != nil {
			return err
		}
		if r.Type != peak.TypeJournalSealed {
			continue
		}
		text, err := seal.NoteOf(r)
		if err != nil {
			return err
		}
		if !first {
			fmt.Fprintln(out.out)
		}
		first = false
		fmt.Fprint(out.out, text)
	}
	return nil
}

// writeAnswer writes an answer to a file, or to w for -.
func writeAnswer(w io.Writer, to string, answer []byte) error {
	if to == "-" {
		_, err := w.Write(answer)
		return err
	}
	if err := os.WriteFile(to, answer, 0o644); err != nil {
		return fmt.Errorf("write answer: %w", err)
	}
	return nil
}
