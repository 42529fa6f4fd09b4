package journal

import (
	"fmt"
	"io"
	"iter"

	"thimbled/publish"
)

// Records returns the records of a journal from the first to the last, without
// a lock, for other processes than the one that appends. Each is checked
// against the one before. An error ends the sequence and comes with an empty
// record: a *Damage, or that of a file.
func Records(dir string) iter.Seq2[publish.Record, error] { return records(OS, dir) }

func records(fsys FS, dir string) iter.Seq2[publish.Record, error] {
	return func(yield func(publish.Record, error) bool) {
		found, err := list(fsys, dir)
		if err != nil {
			yield(publish.Record{}, fmt.Errorf("read journal: %w", err))
			return
		}
		c := newChain("")
		for _, first := range found.segments {
			more, err := recordsOf(fsys, dir, first, c, yield)
			if err != nil {
				yield(publish.Record{}, fmt.Errorf("read journal %s: %w", dir, err))
			}
			if err != nil || !more {
				return
			}
		}
	}
}

// recordsOf yields the records of one segment; more is false once yield wants
// no more.
func recordsOf(fsys FS, dir string, first uint64, c *chain, yield func(publish.Record, error) bool) (more bool, err error) {
	if err := begins(c, first); err != nil {
		return false, err
	}
	l, err := openLines(fsys, dir, first)
	if err != nil {
		return false, err
	}
	defer l.close()
	l.patience = someMoments
	for {
		e, err := l.follow(c)
		if err == io.EOF {
			return true, nil
		}
		if err != nil {
			return false, err
		}
		r, err := e.record()
		if err != nil {
			return false, l.damage(e.number, err)
		}
		if !yield(r, nil) {
			return false, nil
		}
	}
}
