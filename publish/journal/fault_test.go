package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

func sha256Hex(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// fate is what becomes of one operation.
type fate int

const (
	done      fate = iota
	refused        // it fails and has done nothing
	doneAfter      // it has done everything, and still says that it failed
	full           // half of it is done, then the disk is full
	short          // half of it is done, without an error
	forgotten      // nothing is done, without an error
	killed         // nothing is done, and an error stands for the end of the process
)

// faultFS lets one operation after another decide its fate. An operation is
// named by what it does and to which file, as in "write 000000000001.jsonl".
type faultFS struct {
	FS
	decide func(operation string) fate
}

func (f faultFS) outcome(operation string, do func() error) error {
	return f.decide(operation).outcome(do)
}

// outcome does an operation as its fate has it.
func (f fate) outcome(do func() error) error {
	switch f {
	case refused, full, killed:
		return syscall.EIO
	case doneAfter:
		_ = do() // what it did, if anything, is done
		return syscall.EIO
	case forgotten, short:
		return nil
	}
	return do()
}

func (f faultFS) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	var file File
	do := func() (err error) {
		file, err = f.FS.OpenFile(name, flag, perm)
		return err
	}
	verb := "open"
	if flag&os.O_CREATE != 0 {
		verb = "create"
	}
	base := filepath.Base(name)
	err := f.outcome(verb+" "+base, do)
	if err != nil {
		return nil, err
	}
	return &faultFile{File: file, fs: f, name: base, reads: flag == os.O_RDONLY}, nil
}

func (f faultFS) Mkdir(name string, perm fs.FileMode) error {
	return f.outcome("mkdir "+filepath.Base(name), func() error { return f.FS.Mkdir(name, perm) })
}

func (f faultFS) Rename(from, to string) error {
	return f.outcome("rename "+filepath.Base(from), func() error { return f.FS.Rename(from, to) })
}

func (f faultFS) Remove(name string) error {
	return f.outcome("remove "+filepath.Base(name), func() error { return f.FS.Remove(name) })
}

func (f faultFS) SyncDir(name string) error {
	return f.outcome("syncdir "+filepath.Base(name), func() error { return f.FS.SyncDir(name) })
}

func (f faultFS) Lock(name string) (io.Closer, error) { return f.FS.Lock(name) }

type faultFile struct {
	File
	fs    faultFS
	name  string
	reads bool // it is open to be read only
}

func (f *faultFile) Write(b []byte) (n int, err error) {
	switch fate := f.fs.decide("write " + f.name); fate {
	case refused, killed:
		return 0, syscall.EIO
	case doneAfter:
		n, _ = f.File.Write(b)
		return n, syscall.EIO
	case full, short:
		if n, err = f.File.Write(b[:len(b)/2]); err == nil && fate == full {
			err = syscall.ENOSPC
		}
		return n, err
	}
	return f.File.Write(b)
}

// Sync fails as it does on Linux, where the bytes count as clean afterwards.
func (f *faultFile) Sync() error {
	fate := f.fs.decide("sync " + f.name)
	if m, ok := f.File.(*memFile); ok && fate == refused {
		m.failSync()
	}
	return fate.outcome(f.File.Sync)
}

func (f *faultFile) Reread() error { return f.fs.outcome("reread "+f.name, f.File.Reread) }

func (f *faultFile) Truncate(size int64) error {
	return f.fs.outcome("truncate "+f.name, func() error { return f.File.Truncate(size) })
}

func (f *faultFile) Close() error {
	if f.reads {
		return f.File.Close() // nothing hangs on it
	}
	return f.fs.outcome("close "+f.name, f.File.Close)
}
