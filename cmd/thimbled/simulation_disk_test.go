package main

import (
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"thimbled/publish/journal"
)

// sector is what a disk writes whole or not at all.
const sector = 512

// errDead is what a process that has ended would see.
var errDead = errors.New("the process has ended")

// disk is a file system in memory that knows what a power cut leaves: bytes are durable
// after a sync of their file, names after one of their folder, and what was not synced
// may be there in part, in any order.
type disk struct {
	mu             sync.Mutex
	names, durable map[string]*inode
}

type inode struct {
	dir   bool
	data  []byte // as programs see it
	kept  []byte // what is durable
	clean int    // behind it are the bytes that the next sync writes
}

func newDisk() *disk {
	return &disk{names: map[string]*inode{"/": {dir: true}}, durable: map[string]*inode{"/": {dir: true}}}
}

// cut returns what a power cut leaves.
func (d *disk) cut(chance *rand.Rand) *disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	all := maps.Clone(d.durable)
	maps.Copy(all, d.names)
	after := newDisk()
	for _, name := range slices.Sorted(maps.Keys(all)) { // a folder comes before what is in it
		n := d.durable[name]
		if chance.IntN(2) == 0 {
			n = d.names[name] // what was not made durable may be so
		}
		if above := after.names[filepath.Dir(name)]; n == nil || above == nil {
			continue
		}
		left := &inode{dir: n.dir, kept: n.torn(chance)}
		left.data, left.clean = slices.Clone(left.kept), len(left.kept)
		after.names[name], after.durable[name] = left, left
	}
	return after
}

// torn returns what the disk may hold of a file.
func (n *inode) torn(chance *rand.Rand) []byte {
	if len(n.data) <= len(n.kept) {
		return slices.Clone(n.kept[:len(n.kept)-chance.IntN(2)*(len(n.kept)-len(n.data))])
	}
	left := n.written()
	if chance.IntN(3) == 0 {
		return left
	}
	left = left[:len(n.kept)+chance.IntN(len(left)-len(n.kept)+1)]
	for at := len(n.kept) / sector * sector; at < len(left); at += sector {
		if chance.IntN(3) == 0 {
			clear(left[max(at, len(n.kept)):min(at+sector, len(left))])
		}
	}
	return left
}

// written is what a sync makes durable: not what a failed one has marked clean.
func (n *inode) written() []byte {
	b := make([]byte, len(n.data))
	copy(b, n.kept)
	copy(b[n.clean:], n.data[n.clean:])
	return b
}

// save writes all files below a folder into one of the operating system.
func (d *disk) save(t testing.TB, from, to string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, name := range slices.Sorted(maps.Keys(d.names)) {
		rest, below := strings.CutPrefix(name, from)
		if !below {
			continue
		}
		var err error
		if d.names[name].dir {
			err = os.MkdirAll(to+rest, 0o700)
		} else {
			err = os.WriteFile(to+rest, d.names[name].data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// mount is a disk as one process sees it. Its faults and how long it takes depend on the
// operation and on how often it was done, not on what others do meanwhile.
type mount struct {
	*disk
	home   string // of the daemon, which is another in each run of the test
	seed   uint64
	faulty bool
	died   func() // is called at the sync that the process does not survive
	last   int    // how many syncs it does
	seen   *tally
	state  *process
}

// process is what is known of the one that a disk is mounted for.
type process struct {
	sync.Mutex
	dead  bool
	syncs int
	count map[string]int // of each operation
}

func newMount(d *disk, home string, seed uint64, seen *tally) *mount {
	return &mount{disk: d, home: home, seed: seed, seen: seen, state: &process{count: map[string]int{}}}
}

// kill ends the process.
func (m *mount) kill() {
	m.state.Lock()
	defer m.state.Unlock()
	m.state.dead = true
}

func (m *mount) dead() bool {
	m.state.Lock()
	defer m.state.Unlock()
	return m.state.dead
}

// place is a name as seen from the daemon's folder, whose own name and those above it are
// others in each run.
func (m *mount) place(name string) string {
	place, err := filepath.Rel(m.home, name)
	if err != nil {
		panic(err) // both are absolute
	}
	return place
}

// draw returns a number that the operation and the place alone decide.
func (m *mount) draw(op, name string) (uint64, error) {
	m.state.Lock()
	defer m.state.Unlock()
	if m.state.dead {
		return 0, errDead
	}
	op += " " + m.place(name)
	m.state.count[op]++
	h := fnv.New64a()
	fmt.Fprint(h, m.seed, op, m.state.count[op])
	return rand.NewPCG(h.Sum64(), m.seed).Uint64(), nil
}

func (m *mount) fail(kind string, err syscall.Errno) error {
	m.seen.add(kind)
	return err
}

// change draws the fate of an operation that changes names.
func (m *mount) change(op, name string) error {
	n, err := m.draw(op, name)
	if err == nil && m.faulty && n%97 == 0 {
		err = m.fail("disk: "+op+" fails", syscall.EIO)
	}
	return err
}

func missing(op, name string) error { return &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist} }

func (m *mount) OpenFile(name string, flag int, _ fs.FileMode) (journal.File, error) {
	name = filepath.Clean(name)
	if flag&os.O_CREATE != 0 {
		if err := m.change("create", name); err != nil {
			return nil, err
		}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	n := m.names[name]
	switch {
	case n != nil && flag&os.O_EXCL != 0:
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrExist}
	case n == nil && (flag&os.O_CREATE == 0 || m.names[filepath.Dir(name)] == nil):
		return nil, missing("open", name)
	case n == nil:
		n = &inode{}
		m.names[name] = n
	}
	return &openFile{mount: m, name: name, inode: n}, nil
}

func (m *mount) Mkdir(name string, _ fs.FileMode) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	name = filepath.Clean(name)
	switch {
	case m.dead():
		return errDead
	case m.names[name] != nil:
		return &fs.PathError{Op: "mkdir", Path: name, Err: fs.ErrExist}
	case m.names[filepath.Dir(name)] == nil:
		return missing("mkdir", name)
	}
	m.names[name] = &inode{dir: true}
	return nil
}

func (m *mount) ReadDir(name string) (all []fs.DirEntry, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	name = filepath.Clean(name)
	if m.names[name] == nil {
		return nil, missing("open", name)
	}
	for _, n := range slices.Sorted(maps.Keys(m.names)) {
		if n != "/" && filepath.Dir(n) == name {
			all = append(all, entryOf{filepath.Base(n), m.names[n].dir})
		}
	}
	return all, nil
}

type entryOf struct {
	name string
	dir  bool
}

func (e entryOf) Name() string               { return e.name }
func (e entryOf) IsDir() bool                { return e.dir }
func (e entryOf) Info() (fs.FileInfo, error) { return nil, fs.ErrInvalid }
func (e entryOf) Type() fs.FileMode {
	if e.dir {
		return fs.ModeDir
	}
	return 0
}

func (m *mount) Rename(from, to string) error {
	if err := m.change("rename", from); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	n := m.names[filepath.Clean(from)]
	if n == nil {
		return missing("rename", from)
	}
	m.names[filepath.Clean(to)] = n
	delete(m.names, filepath.Clean(from))
	return nil
}

func (m *mount) Remove(name string) error {
	if m.dead() {
		return errDead
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.names[filepath.Clean(name)] == nil {
		return missing("remove", name)
	}
	delete(m.names, filepath.Clean(name))
	return nil
}

func (m *mount) SyncDir(name string) error {
	if err := m.change("syncdir", name); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	name = filepath.Clean(name)
	maps.DeleteFunc(m.durable, func(n string, _ *inode) bool { return n != "/" && filepath.Dir(n) == name && m.names[n] == nil })
	for n, node := range m.names {
		if filepath.Dir(n) == name {
			m.durable[n] = node
		}
	}
	return nil
}

// Lock is never refused: one process after the other uses a disk.
func (m *mount) Lock(name string) (io.Closer, error) {
	return m.OpenFile(name, os.O_CREATE|os.O_RDWR, 0)
}

func (m *mount) Free(string) (int64, error) { return 1 << 40, nil }

// openFile is a file that a process has open.
type openFile struct {
	*mount
	name string
	*inode
	at int64
}

func (f *openFile) Read(b []byte) (int, error) {
	n, err := f.ReadAt(b, f.at)
	f.at += int64(n)
	if n > 0 {
		err = nil
	}
	return n, err
}

func (f *openFile) ReadAt(b []byte, off int64) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if off >= int64(len(f.data)) {
		return 0, io.EOF
	}
	n := copy(b, f.data[off:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

// Write writes at the end. A disk that is full takes half.
func (f *openFile) Write(b []byte) (int, error) {
	n, err := f.draw("write", f.name)
	if err != nil {
		return 0, err
	}
	if f.faulty && n%151 == 0 {
		b, err = b[:len(b)/2], f.fail("disk: full", syscall.ENOSPC)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.data = append(f.data, b...)
	return len(b), err
}

// Sync takes its time, and the power may fail before its end.
func (f *openFile) Sync() error {
	n, err := f.draw("sync", f.name)
	if err != nil {
		return err
	}
	f.state.Lock()
	f.state.syncs++
	over := f.state.syncs == f.last
	f.state.Unlock()
	if over && n%3 != 0 {
		f.died()
	}
	time.Sleep(time.Duration(100+n%7_900) * time.Microsecond)
	if f.dead() {
		return errDead
	}
	f.mu.Lock()
	if f.faulty && n%151 == 1 {
		f.clean = len(f.data) // as on Linux: they count as written and are not
		err = f.fail("disk: sync fails", syscall.EIO)
	} else {
		f.kept, f.clean = f.written(), len(f.data)
	}
	f.mu.Unlock()
	if over {
		f.died()
	}
	return err
}

func (f *openFile) Truncate(size int64) error {
	if f.dead() {
		return errDead
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.data = f.data[:size:size]
	f.clean = min(f.clean, int(size))
	return nil
}

func (f *openFile) Size() (int64, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return int64(len(f.data)), nil
}

func (f *openFile) Reread() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	clear(f.data[:f.clean])
	copy(f.data[:f.clean], f.kept)
	return nil
}

func (f *openFile) Close() error { return nil }
