package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"thimbled/publish/journal"
)

const backupArgs = "[--config F | DIR] DEST"

// backupCommand copies a journal and its traces while a daemon may be writing to it,
// and audits the copy.
func backupCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "backup", backupArgs)
	path := f.String("config", "", "the bench's config `file`, which says where the journal is")
	words, err := parseWords(f, args)
	if err != nil {
		return err
	}
	if *path != "" {
		c, err := loadConfig(*path)
		if err != nil {
			return err
		}
		words = append([]string{c.JournalDir(os.Getenv)}, words...)
	}
	if len(words) != 2 || words[1] == "" {
		return usagef("need the folder of a journal, or --config, and the folder of the copy")
	}
	b, err := newBackup(words[0], words[1])
	if err != nil {
		return err
	}
	defer b.close()
	r, err := b.run(ctx)
	if errors.Is(err, journal.ErrNoJournal) {
		return usageError{err}
	}
	if err != nil {
		return fmt.Errorf("back up %s: %w", words[0], err)
	}
	return b.tell(out.out, r)
}

// tell says what a backup came to.
func (b *backup) tell(w io.Writer, r journal.Report) error {
	for _, n := range r.Notes {
		fmt.Fprintf(w, "note: %s: %s\n", n.File, n.Text)
	}
	for _, p := range r.Problems {
		fmt.Fprintln(w, "damaged:", p.Error())
	}
	if !r.Sound() {
		fmt.Fprintf(w, "The copy in %s is not sound, nor is the journal that it is of; thimbled audit says more.\n", b.to.Name())
		return errNo
	}
	fmt.Fprintf(w, "The copy of bench %s's journal in %s is sound: %d records in %d segments, %d traces; %d files were copied.\n",
		r.Bench, b.to.Name(), r.Records, r.Segments, r.Traces, b.copied)
	fmt.Fprintf(w, "Record %d is the last; the SHA-256 of its line is %s.\n", r.Last, r.LastHash)
	return nil
}
