package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"time"
)

// checking is how far the finished segments were read again and found sound.
type checking struct {
	state *sofar
	// claimed is the note that the journal was opened by, until it is found to say
	// what its segments say.
	claimed []byte
	noted   int // how many segments are on note
}

const (
	// checkChunk is how much is checked in one go, and checkRest how many times as
	// long as that took comes before the next: nothing waits for the check.
	checkChunk = 512 << 10
	checkRest  = 3
)

// Check reads the finished segments from the first on, checks their chain, and puts
// on note how far it came, so that the next Open need not wait for that; it then
// waits for more segments to be finished until ctx ends, which is no error. What
// was on note when the journal was opened is read again too. A *Damage says that a
// segment, or the note, is not what was written: the note is removed, so that the
// next Open finds the place and refuses the journal. One goroutine calls it, once.
func (w *Writer) Check(ctx context.Context) error {
	err := w.checkOn(ctx)
	var damage *Damage
	switch {
	case ctx.Err() != nil, errors.Is(err, ErrClosed):
		return nil
	case errors.As(err, &damage):
		err = errors.Join(err, w.removeNote())
	}
	return fmt.Errorf("check journal: %w", err)
}

func (w *Writer) checkOn(ctx context.Context) error {
	k := &w.check
	for {
		first, finished, grew, err := w.finished(k.state.count)
		if err != nil {
			return err
		}
		if finished {
			if err := w.checkSegment(ctx, first); err != nil {
				return err
			}
			continue
		}
		if k.noted < k.state.count {
			if err := w.putNote(); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-grew:
		}
	}
}

// finished returns the first record of a segment by its place, and whether it is
// one that nothing is added to any more.
func (w *Writer) finished(at int) (first uint64, ok bool, grew <-chan struct{}, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return 0, false, nil, ErrClosed
	}
	if at >= len(w.segments)-1 {
		return 0, false, w.grew, nil
	}
	return w.segments[at], true, w.grew, nil
}

func (w *Writer) checkSegment(ctx context.Context, first uint64) error {
	s := w.check.state
	if err := begins(s.chain, first); err != nil {
		return err
	}
	l, err := openLines(w.opts.FS, w.dir, first)
	if errors.Is(err, fs.ErrNotExist) {
		return &Damage{File: segmentName(first), Record: first, Reason: "is missing"}
	}
	if err != nil {
		return err
	}
	defer l.close()
	began, from := time.Now(), int64(0)
	for {
		e, err := l.follow(s.chain)
		if err == io.EOF {
			s.pass(l.next)
			return w.confirm()
		}
		if err != nil {
			return err
		}
		s.add(&e)
		if l.next-from < checkChunk {
			continue
		}
		if err := rest(ctx, checkRest*time.Since(began)); err != nil {
			return err
		}
		began, from = time.Now(), l.next
	}
}

// confirm compares what the journal was opened by with what its segments say.
func (w *Writer) confirm() error {
	k := &w.check
	if k.claimed == nil || k.state.count < k.noted {
		return nil
	}
	text, err := k.state.text()
	if err != nil {
		return err
	}
	if !bytes.Equal(text, k.claimed) {
		return &Damage{File: noteName, Reason: fmt.Sprintf("does not say what records 1 to %d say, and the daemon went on from it", k.state.chain.last)}
	}
	k.claimed = nil
	return nil
}

// putNote writes the note. It needs no sync: one that is torn or lost does not
// count, and then the journal is read from its beginning.
func (w *Writer) putNote() error {
	text, err := w.check.state.text()
	if err == nil {
		err = replace(w.opts.FS, w.path(noteName), text, false)
	}
	if err != nil {
		return fmt.Errorf("write note %s: %w", noteName, err)
	}
	w.check.noted = w.check.state.count
	return nil
}

func rest(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// Refuse makes the journal failed because it is damaged: nothing is added to it any
// more until it is opened anew. The note is removed, so that this finds the place.
func (w *Writer) Refuse(why *Damage) {
	w.fail(errors.Join(why, w.removeNote()))
}

func (w *Writer) removeNote() error {
	if err := w.opts.FS.Remove(w.path(noteName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove note: %w", err)
	}
	return nil
}
