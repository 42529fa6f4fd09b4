package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// Files of a copy that are not whole yet end so.
const partSuffix = ".part"

// segmentFile is the name of a segment.
var segmentFile = regexp.MustCompile(`^[0-9]{12}\.jsonl$`)

// backup copies a journal. What an earlier run copied is not copied again; the audit
// of the copy, whose chain of hashes leads through every segment, shows whether it is
// still that of the journal.
type backup struct {
	from, to *os.Root
	lock     io.Closer
	copied   int
}

// errOtherJournal says that the copy is no earlier state of the journal.
var errOtherJournal = errors.New("what is in the folder of the copy is not the beginning of this journal: it is of another one, or damaged; take another folder, or remove it")

func newBackup(from, to string) (*backup, error) {
	b := &backup{}
	var err error
	if b.from, err = os.OpenRoot(from); err != nil {
		return nil, err
	}
	if err = os.MkdirAll(filepath.Join(to, "traces"), 0o750); err == nil {
		b.to, err = os.OpenRoot(to)
	}
	if err == nil {
		b.lock, err = journal.OS.Lock(filepath.Join(to, "lock"))
	}
	if err != nil {
		b.close()
		return nil, err
	}
	return b, nil
}

func (b *backup) close() {
	for _, c := range []*os.Root{b.from, b.to} {
		if c != nil {
			c.Close()
		}
	}
	if b.lock != nil {
		b.lock.Close()
	}
}

// rounds is how often the copy is made to agree with the journal: a trace may be
// removed meanwhile, and a file of the copy may be damaged.
const rounds = 3

// run copies and audits the copy until it is sound or what is wrong with it is wrong
// with the journal too.
func (b *backup) run(ctx context.Context) (r journal.Report, err error) {
	for round := range rounds {
		if err := b.segments(ctx); err != nil {
			return r, err
		}
		if err := b.traces(ctx); err != nil {
			return r, err
		}
		if err := b.settle(); err != nil {
			return r, err
		}
		if r, err = journal.Audit(b.to.Name()); err != nil || r.Sound() || round == rounds-1 {
			break
		}
		for _, p := range r.Problems { // copied again, if the journal has them
			if err := b.to.Remove(p.File); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return r, err
			}
		}
	}
	if err != nil || !r.Sound() {
		return r, err
	}
	return r, b.same(r)
}

// segments copies what the copy does not have of the segments that are there now.
func (b *backup) segments(ctx context.Context) error {
	names, err := segmentsIn(b.from)
	if err != nil {
		return err
	}
	if len(names) == 0 {
		return journal.ErrNoJournal
	}
	there, err := segmentsIn(b.to)
	if err != nil {
		return err
	}
	for _, name := range there {
		if !slices.Contains(names, name) {
			return errOtherJournal
		}
	}
	if err := b.file("format"); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for i, name := range names {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := b.segment(name, i == len(names)-1); err != nil {
			return err
		}
	}
	return nil
}

func segmentsIn(root *os.Root) (names []string, err error) {
	entries, err := fs.ReadDir(root.FS(), ".")
	for _, e := range entries {
		if segmentFile.MatchString(e.Name()) {
			names = append(names, e.Name())
		}
	}
	return names, err
}

// segment copies a segment; of the last one, which grows, what ends with a line. What
// the copy has of it must be its beginning: nothing else is ever written over.
func (b *backup) segment(name string, last bool) error {
	from, err := b.from.Stat(name)
	if err != nil {
		return err
	}
	to, err := b.to.Stat(name)
	if err == nil && to.Size() == from.Size() && !last {
		return nil
	}
	text, err := b.from.ReadFile(name)
	if err != nil {
		return err
	}
	text = text[:bytes.LastIndexByte(text, '\n')+1]
	have, err := b.to.ReadFile(name)
	switch {
	case err == nil && !bytes.HasPrefix(text, have):
		return errOtherJournal
	case err == nil && len(have) == len(text):
		return nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return err
	}
	return b.put(name, bytes.NewReader(text))
}

// file copies a file that does not change, if the copy has none of its size.
func (b *backup) file(name string) error {
	f, err := b.from.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	want, err := f.Stat()
	if err != nil {
		return err
	}
	if have, err := b.to.Stat(name); err == nil && have.Size() == want.Size() {
		return nil
	}
	return b.put(name, f)
}

// put makes a durable file of the copy.
func (b *backup) put(name string, from io.Reader) error {
	part := name + partSuffix
	f, err := b.to.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, from)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return errors.Join(fmt.Errorf("copy %s: %w", name, err), b.to.Remove(part))
	}
	b.copied++
	return b.to.Rename(part, name)
}

// traces copies the traces that the copy's records name and the copy does not have.
func (b *backup) traces(ctx context.Context) error {
	for r, err := range until(ctx, journal.Records(b.to.Name())) {
		var damage *journal.Damage
		if errors.As(err, &damage) {
			return nil // the audit tells of it
		}
		if err != nil {
			return err
		}
		if r.Type != peak.TypePullEnded {
			continue
		}
		var data struct {
			Trace *publish.Trace `json:"trace"`
		}
		if err := json.Unmarshal(r.Data, &data); err != nil || data.Trace == nil || path.Dir(data.Trace.Name) != "traces" {
			continue
		}
		// One that is gone was removed, as a later record says, or the audit tells.
		if err := b.file(data.Trace.Name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// settle makes the names in the copy durable, and removes what an earlier run left.
func (b *backup) settle() error {
	for _, dir := range []string{"traces", "."} {
		entries, err := fs.ReadDir(b.to.FS(), dir)
		if err != nil {
			return err
		}
		for _, e := range entries {
			if !strings.HasSuffix(e.Name(), partSuffix) {
				continue
			}
			if err := b.to.Remove(path.Join(dir, e.Name())); err != nil {
				return err
			}
		}
		d, err := b.to.Open(dir)
		if err != nil {
			return err
		}
		if err := errors.Join(d.Sync(), d.Close()); err != nil && !errors.Is(err, unix.EINVAL) {
			return err
		}
	}
	return nil
}

// same makes sure that the copy's last line is that of the journal: by the chain of
// hashes, all lines before it are too.
func (b *backup) same(r journal.Report) error {
	names, err := segmentsIn(b.to)
	if err != nil {
		return err
	}
	last := names[len(names)-1]
	have, err := b.to.ReadFile(last)
	if err != nil {
		return err
	}
	text, err := b.from.ReadFile(last)
	if err != nil {
		return err
	}
	if !bytes.HasPrefix(text, have) || r.Records == 0 {
		return errOtherJournal
	}
	return nil
}
