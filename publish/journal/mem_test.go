package journal

import (
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"sync"
	"syscall"
)

// memFS is a file system in memory that knows what a power cut would leave: a
// file's bytes are durable after its Sync, a name is after the SyncDir of its
// folder. Nothing becomes durable by itself.
type memFS struct {
	mu    *sync.Mutex
	root  *memDir
	locks map[string]bool
	free  int64
}

type memDir struct{ names, durable map[string]any } // *memDir or *memNode

type memNode struct {
	data []byte // as programs see it
	disk []byte // as the disk has it
	// clean is the end of the bytes that the system believes to be on the
	// disk: a failed sync marks them so, and no later sync writes them.
	clean int
}

func newMemFS() *memFS {
	return &memFS{mu: new(sync.Mutex), root: newMemDir(), locks: map[string]bool{}, free: 1 << 40}
}

func newMemDir() *memDir { return &memDir{names: map[string]any{}, durable: map[string]any{}} }

// powerCut returns what is left after a power cut.
func (m *memFS) powerCut() *memFS {
	m.mu.Lock()
	defer m.mu.Unlock()
	after := newMemFS()
	after.root = m.root.afterPowerCut()
	return after
}

func (d *memDir) afterPowerCut() *memDir {
	after := newMemDir()
	for name, n := range d.durable {
		switch n := n.(type) {
		case *memDir:
			after.names[name] = n.afterPowerCut()
		case *memNode:
			after.names[name] = &memNode{data: slices.Clone(n.disk), disk: slices.Clone(n.disk)}
		}
	}
	after.durable = maps.Clone(after.names)
	return after
}

// kill returns the same files as another process sees them after this one was
// killed.
func (m *memFS) kill() *memFS {
	return &memFS{mu: m.mu, root: m.root, locks: map[string]bool{}, free: m.free}
}

func (m *memFS) find(name string) (*memDir, string, error) {
	dir, base := path.Split(path.Clean(name))
	d := m.root
	for _, part := range slices.DeleteFunc(splitPath(dir), func(s string) bool { return s == "" }) {
		next, ok := d.names[part].(*memDir)
		if !ok {
			return nil, "", &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
		}
		d = next
	}
	return d, base, nil
}

func splitPath(p string) (parts []string) {
	for p != "" && p != "/" {
		p = path.Clean(p)
		var base string
		p, base = path.Split(p)
		parts = append([]string{base}, parts...)
	}
	return parts
}

func (m *memFS) dir(name string) (*memDir, error) {
	if path.Clean(name) == "/" {
		return m.root, nil
	}
	d, base, err := m.find(name)
	if err != nil {
		return nil, err
	}
	sub, ok := d.names[base].(*memDir)
	if !ok {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return sub, nil
}

func (m *memFS) OpenFile(name string, flag int, _ fs.FileMode) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, base, err := m.find(name)
	if err != nil {
		return nil, err
	}
	n, ok := d.names[base].(*memNode)
	switch {
	case d.names[base] != nil && !ok:
		return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.EISDIR}
	case ok && flag&os.O_EXCL != 0:
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrExist}
	case !ok && flag&os.O_CREATE == 0:
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	case !ok:
		n = &memNode{}
		d.names[base] = n
	}
	return &memFile{fs: m, node: n}, nil
}

func (m *memFS) Mkdir(name string, _ fs.FileMode) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, base, err := m.find(name)
	if err != nil {
		return err
	}
	if d.names[base] != nil || base == "" {
		return &fs.PathError{Op: "mkdir", Path: name, Err: fs.ErrExist}
	}
	d.names[base] = newMemDir()
	return nil
}

func (m *memFS) ReadDir(name string) ([]fs.DirEntry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, err := m.dir(name)
	if err != nil {
		return nil, err
	}
	var all []fs.DirEntry
	for _, base := range slices.Sorted(maps.Keys(d.names)) {
		_, isDir := d.names[base].(*memDir)
		all = append(all, memEntry{base, isDir})
	}
	return all, nil
}

type memEntry struct {
	name string
	dir  bool
}

func (e memEntry) Name() string               { return e.name }
func (e memEntry) IsDir() bool                { return e.dir }
func (e memEntry) Info() (fs.FileInfo, error) { return nil, fs.ErrInvalid }
func (e memEntry) Type() fs.FileMode {
	if e.dir {
		return fs.ModeDir
	}
	return 0
}

func (m *memFS) Rename(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, base, err := m.find(from)
	if err != nil {
		return err
	}
	d2, base2, err := m.find(to)
	if err != nil {
		return err
	}
	d2.names[base2] = d.names[base]
	delete(d.names, base)
	return nil
}

func (m *memFS) Remove(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, base, err := m.find(name)
	if err == nil {
		delete(d.names, base)
	}
	return err
}

func (m *memFS) SyncDir(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, err := m.dir(name)
	if err != nil {
		return err
	}
	d.durable = maps.Clone(d.names)
	return nil
}

func (m *memFS) Lock(name string) (io.Closer, error) {
	f, err := m.OpenFile(name, os.O_CREATE|os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.locks[name] {
		return nil, ErrLocked
	}
	m.locks[name] = true
	return memLock{f, m, name}, nil
}

func (m *memFS) Free(string) (int64, error) { return m.free, nil }

type memLock struct {
	File
	fs   *memFS
	name string
}

func (l memLock) Close() error {
	l.fs.mu.Lock()
	defer l.fs.mu.Unlock()
	delete(l.fs.locks, l.name)
	return nil
}

// memFile writes at the end only, as a journal does.
type memFile struct {
	fs   *memFS
	node *memNode
	pos  int64
}

func (f *memFile) Read(b []byte) (int, error) {
	n, err := f.ReadAt(b, f.pos)
	f.pos += int64(n)
	if n > 0 {
		err = nil
	}
	return n, err
}

func (f *memFile) ReadAt(b []byte, off int64) (int, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	if off >= int64(len(f.node.data)) {
		return 0, io.EOF
	}
	n := copy(b, f.node.data[off:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

func (f *memFile) Write(b []byte) (int, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	f.node.data = append(f.node.data, b...)
	return len(b), nil
}

func (f *memFile) Size() (int64, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	return int64(len(f.node.data)), nil
}

func (f *memFile) Truncate(size int64) error {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	f.node.data = f.node.data[:size:size]
	f.node.clean = min(f.node.clean, int(size))
	return nil
}

func (f *memFile) Sync() error {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	n := f.node
	disk := make([]byte, len(n.data))
	copy(disk, n.disk)
	copy(disk[n.clean:], n.data[n.clean:])
	n.disk = disk
	return nil
}

// failSync is what a sync that fails does on Linux: the bytes are not on the
// disk, and count as clean from now on.
func (f *memFile) failSync() {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	f.node.clean = len(f.node.data)
}

func (f *memFile) Reread() error {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	n := f.node
	clear(n.data[:n.clean])
	copy(n.data[:n.clean], n.disk)
	return nil
}

func (f *memFile) Close() error { return nil }

// bytesOf returns the bytes of a file as programs see them.
func (m *memFS) bytesOf(name string) []byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, base, err := m.find(name)
	if err != nil {
		return nil
	}
	n, ok := d.names[base].(*memNode)
	if !ok {
		return nil
	}
	return slices.Clone(n.data)
}

// put makes a durable file of the given bytes.
func (m *memFS) put(name string, data []byte) {
	f, err := m.OpenFile(name, os.O_CREATE|os.O_WRONLY, 0)
	if err != nil {
		panic(err)
	}
	n := f.(*memFile).node
	n.data, n.disk, n.clean = slices.Clone(data), slices.Clone(data), 0
	if err := m.SyncDir(path.Dir(name)); err != nil {
		panic(err)
	}
}

// copyFiles returns an independent copy, with everything durable.
func (m *memFS) copyFiles() *memFS {
	m.mu.Lock()
	defer m.mu.Unlock()
	c := newMemFS()
	c.root = m.root.copy()
	return c
}

func (d *memDir) copy() *memDir {
	c := newMemDir()
	for name, n := range d.names {
		switch n := n.(type) {
		case *memDir:
			c.names[name] = n.copy()
		case *memNode:
			c.names[name] = &memNode{data: slices.Clone(n.data), disk: slices.Clone(n.data)}
		}
	}
	c.durable = maps.Clone(c.names)
	return c
}
