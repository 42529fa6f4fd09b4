package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// Cut says what was cut off the damaged end of a file. It was kept aside first.
type Cut struct {
	Damage        // where the cut was made and why
	Bytes  int64  // how many were cut off
	Kept   string // the file that holds them, relative to the journal's folder
}

// Open opens a journal to append to it; the folder is made if need be. The
// whole journal is read and its chain is checked, the last segment as the disk
// itself holds it; segments that are on note as checked are left to [Writer.Check],
// as long as their sizes are what they were. What a torn write left behind the last sound record is cut
// off, kept aside and told in Opened. Damage anywhere else is an error, a *Damage that names its
// place, and so are a journal that another process has open (ErrLocked) and
// one of another bench (ErrOtherBench) or of a later format (ErrFormat); nothing is
// changed then.
func Open(dir string, o Options) (*Writer, Opened, error) {
	w := &Writer{dir: dir, opts: o.withDefaults(), hasher: newHasher(), grew: make(chan struct{})}
	opened, err := w.open()
	if err != nil {
		if w.lock != nil {
			err = errors.Join(err, w.Close())
		}
		return nil, Opened{}, fmt.Errorf("open journal %s: %w", dir, err)
	}
	return w, opened, nil
}

func (w *Writer) open() (Opened, error) {
	if !validBench(w.opts.Bench) {
		return Opened{}, fmt.Errorf("the bench id %q needs letters, digits, - and _ only", w.opts.Bench)
	}
	if err := w.makeFolders(); err != nil {
		return Opened{}, err
	}
	found, err := list(w.opts.FS, w.dir)
	if err != nil {
		return Opened{}, err
	}
	w.segments, w.format = found.segments, found.format
	if err := w.syncAbove(); err != nil {
		return Opened{}, err
	}
	if err := w.beginFormat(); err != nil {
		return Opened{}, err
	}
	opened, err := w.readBack()
	if err != nil {
		return Opened{}, err
	}
	return opened, w.resume()
}

// makeFolders makes the folders and takes the lock.
func (w *Writer) makeFolders() error {
	if err := makeDir(w.opts.FS, w.dir); err != nil {
		return err
	}
	lock, err := w.opts.FS.Lock(filepath.Join(w.dir, lockName))
	if err != nil {
		return err
	}
	w.lock = lock
	if err := w.opts.FS.Mkdir(filepath.Join(w.dir, tracesDir), dirPerm); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	// A process that was killed may have left names that are not durable yet.
	return w.opts.FS.SyncDir(w.dir)
}

// makeDir makes a folder and those above it.
func makeDir(fsys FS, dir string) error {
	err := fsys.Mkdir(dir, dirPerm)
	above := filepath.Dir(dir)
	if errors.Is(err, fs.ErrNotExist) && above != dir {
		if err := makeDir(fsys, above); err != nil {
			return err
		}
		err = fsys.Mkdir(dir, dirPerm)
	}
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	return err
}

// syncAbove makes the name of the journal's folder durable, and before the first
// record those of all folders above it: a process that was killed may have made
// any of them.
func (w *Writer) syncAbove() error {
	for dir := w.dir; ; dir = filepath.Dir(dir) {
		above := filepath.Dir(dir)
		// Who may not read a folder did not make what is in it.
		if err := w.opts.FS.SyncDir(above); err != nil && !errors.Is(err, fs.ErrPermission) {
			return err
		}
		if above == filepath.Dir(above) || len(w.segments) > 0 {
			return nil
		}
	}
}

// readBack finds out where things stood: it checks every segment that is not on
// note as checked, the last one always, and cuts torn bytes off the last one.
func (w *Writer) readBack() (Opened, error) {
	s, err := w.fromNote()
	if err != nil {
		return Opened{}, err
	}
	noted := s.chain.last
	var cut *Cut
	for s.count < len(w.segments) {
		last := s.count == len(w.segments)-1
		if last && noted == 0 {
			w.check = checking{state: s.copy()} // it was all read: the check goes on from here
		}
		if cut, err = w.readSegment(w.segments[s.count], last, s); err != nil {
			return Opened{}, err
		}
	}
	w.last, w.hash, w.tally = s.chain.last, s.chain.hash, s.tally
	opened, err := s.past.opened()
	opened.Last, opened.LastHash, opened.Cut = s.chain.last, string(s.chain.hash[:]), cut
	opened.Noted = noted
	if _, none := s.tally.(noTally); !none {
		opened.Tally = s.tally
	}
	return opened, err
}

// begins checks that a segment's name continues the chain.
func begins(c *chain, first uint64) error {
	if first == c.last+1 {
		return nil
	}
	return &Damage{File: segmentName(first), Record: c.last + 1, Reason: fmt.Sprintf("begins with record %d, which does not follow record %d", first, c.last)}
}

func (w *Writer) readSegment(first uint64, last bool, s *sofar) (*Cut, error) {
	if err := begins(s.chain, first); err != nil {
		return nil, err
	}
	l, err := openLines(w.opts.FS, w.dir, first)
	if err != nil {
		return nil, err
	}
	defer l.close()
	if last {
		// What is read must be durable: it counts as recorded from now on.
		if err := errors.Join(l.file.Sync(), l.file.Reread()); err != nil {
			return nil, fmt.Errorf("sync %s: %w", l.name, err)
		}
	}
	for {
		e, err := l.follow(s.chain)
		if err == io.EOF {
			s.pass(l.next)
			return nil, nil
		}
		if err != nil {
			s.pass(l.next)
			return w.tail(l, last, s.chain, err)
		}
		if s.chain.bench != w.opts.Bench {
			return nil, fmt.Errorf("%w: %s, not %s", ErrOtherBench, s.chain.bench, w.opts.Bench)
		}
		s.add(&e)
	}
}

// tail cuts the damage off if it is what a torn write left behind; else it
// returns why.
func (w *Writer) tail(l *lines, last bool, c *chain, why error) (*Cut, error) {
	var d *Damage
	if !last || !errors.As(why, &d) {
		return nil, why
	}
	torn, err := isTorn(l, c.hasher)
	if err != nil {
		return nil, err
	}
	if !torn {
		return nil, why
	}
	return cutOff(w.opts.FS, w.dir, *d)
}

// isTorn reports whether what is left from the last line read is what one torn
// write can leave: no more than one record began there and none is sound.
func isTorn(l *lines, h *hasher) (bool, error) {
	size, err := l.file.Size()
	if err != nil || size-l.offset > maxLine {
		return false, err
	}
	rest := make([]byte, size-l.offset)
	if _, err := io.ReadFull(io.NewSectionReader(l.file, l.offset, size-l.offset), rest); err != nil {
		return false, err
	}
	if bytes.Count(rest, []byte(opening)) > 1 {
		return false, nil
	}
	for {
		line, after, ended := bytes.Cut(rest, []byte("\n"))
		if !ended {
			return true, nil
		}
		if _, err := h.take(line); err == nil {
			return false, nil
		}
		rest = after
	}
}

// cutOff cuts a file off where it is damaged; what it cuts is durable under
// another name before.
func cutOff(fsys FS, dir string, d Damage) (cut *Cut, err error) {
	path := filepath.Join(dir, filepath.FromSlash(d.File))
	f, err := fsys.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	cut = &Cut{Damage: d, Bytes: size - d.Offset}
	cut.Kept, err = keepAside(fsys, dir, d.File, io.NewSectionReader(f, d.Offset, cut.Bytes))
	if err != nil {
		return nil, fmt.Errorf("keep the damaged end of %s: %w", d.File, err)
	}
	if err := errors.Join(f.Truncate(d.Offset), f.Sync()); err != nil {
		return nil, fmt.Errorf("cut the damaged end off %s: %w", d.File, err)
	}
	return cut, nil
}

// keepAside makes a durable copy under the first free name of a tail. One that
// did not become whole is removed, so that a full disk does not fill up with them.
func keepAside(fsys FS, dir, name string, from io.Reader) (string, error) {
	f, kept, err := createAside(fsys, dir, name)
	if err != nil {
		return "", err
	}
	_, err = io.Copy(f, from)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return "", errors.Join(err, fsys.Remove(filepath.Join(dir, filepath.FromSlash(kept))))
	}
	return kept, fsys.SyncDir(filepath.Dir(filepath.Join(dir, kept)))
}

func createAside(fsys FS, dir, name string) (File, string, error) {
	for n := 1; ; n++ {
		kept := fmt.Sprintf("%s%s%d", name, keptInfix, n)
		f, err := fsys.OpenFile(filepath.Join(dir, filepath.FromSlash(kept)), os.O_WRONLY|os.O_CREATE|os.O_EXCL, filePerm)
		if !errors.Is(err, fs.ErrExist) {
			return f, kept, err
		}
	}
}

// resume opens the last segment for appending.
func (w *Writer) resume() (err error) {
	if len(w.segments) == 0 {
		return nil
	}
	name := segmentName(w.segments[len(w.segments)-1])
	w.file, err = w.opts.FS.OpenFile(filepath.Join(w.dir, name), os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	w.size, err = w.file.Size()
	return err
}
