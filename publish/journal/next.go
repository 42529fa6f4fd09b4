package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sort"

	"thimbled/publish"
)

const (
	// recentRecords is how many of the last records are kept in memory, so
	// that readers who keep up never touch the disk.
	recentRecords = 256
	// maxCursors is how many readers who lag behind go on where they were,
	// each with a file open.
	maxCursors = 4
)

var _ publish.Records = (*Writer)(nil)

// Last returns the number of the last durable record, 0 if there is none.
func (w *Writer) Last() uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last
}

// Next returns the record after the given number and waits until it is durable.
// It costs no search when records are asked for one after the other. The
// record's bytes are shared and must not be changed. Its errors are the
// context's, ErrClosed, a *Damage, or that of a file.
func (w *Writer) Next(ctx context.Context, after uint64) (publish.Record, error) {
	for {
		w.mu.Lock()
		closed, grew, last := w.closed, w.grew, w.last
		r := w.recent[(after+1)%recentRecords]
		w.mu.Unlock()
		switch {
		case closed:
			return publish.Record{}, ErrClosed
		case after < last && r.Number == after+1:
			return r, nil
		case after < last:
			return w.stored(after + 1)
		}
		select {
		case <-ctx.Done():
			return publish.Record{}, ctx.Err()
		case <-grew:
		}
	}
}

// cursor is a place in the stored records: behind the last of its chain.
type cursor struct {
	lines *lines
	chain *chain
}

// stored reads a durable record from the disk.
func (w *Writer) stored(number uint64) (publish.Record, error) {
	c, err := w.takeCursor(number)
	if err != nil {
		return publish.Record{}, fmt.Errorf("read record %d: %w", number, err)
	}
	r, err := w.seek(c, number)
	if err != nil {
		c.lines.close()
		return publish.Record{}, fmt.Errorf("read record %d: %w", number, err)
	}
	w.putCursor(c)
	return r, nil
}

// takeCursor returns a cursor that stands before a record, or a new one shortly
// before it in its segment.
func (w *Writer) takeCursor(number uint64) (*cursor, error) {
	w.mu.Lock()
	for i, c := range w.cursors {
		if c.chain.last+1 == number {
			w.cursors = append(w.cursors[:i], w.cursors[i+1:]...)
			w.mu.Unlock()
			return c, nil
		}
	}
	i := sort.Search(len(w.segments), func(i int) bool { return w.segments[i] > number })
	first := w.segments[i-1] // the first segment begins with record 1
	w.mu.Unlock()
	l, err := openLines(w.opts.FS, w.dir, first)
	if err != nil {
		return nil, err
	}
	at, err := l.near(first, number)
	if err != nil {
		return nil, errors.Join(err, l.close())
	}
	c := newChain(w.opts.Bench)
	c.last, c.adrift = at-1, true
	return &cursor{lines: l, chain: c}, nil
}

// putCursor keeps a cursor for the next record, in place of the one that has
// waited longest if there are too many.
func (w *Writer) putCursor(c *cursor) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cursors = append(w.cursors, c)
	if len(w.cursors) > maxCursors || w.closed {
		w.cursors[0].lines.close()
		w.cursors = w.cursors[1:]
	}
}

// seek reads on to a record.
func (w *Writer) seek(c *cursor, number uint64) (publish.Record, error) {
	for {
		e, err := c.lines.follow(c.chain)
		if err == io.EOF {
			err = w.turnOver(c)
			if err == nil {
				continue
			}
		}
		if err != nil {
			return publish.Record{}, err
		}
		if e.number == number {
			return e.record()
		}
	}
}

// turnOver goes on to the next segment.
func (w *Writer) turnOver(c *cursor) error {
	l, err := openLines(w.opts.FS, w.dir, c.chain.last+1)
	if err != nil {
		return err
	}
	c.lines.close()
	c.lines = l
	return nil
}
