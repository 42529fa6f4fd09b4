package journal

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// FS is the few operations on files that a journal needs.
type FS interface {
	// OpenFile opens a file as [os.OpenFile] does.
	OpenFile(name string, flag int, perm fs.FileMode) (File, error)
	Mkdir(name string, perm fs.FileMode) error
	ReadDir(name string) ([]fs.DirEntry, error)
	Rename(from, to string) error
	Remove(name string) error
	// SyncDir makes the entries of a folder durable.
	SyncDir(name string) error
	// Lock takes the lock that a file stands for, until it is closed or the
	// process ends. It does not wait: ErrLocked says that another has it.
	Lock(name string) (io.Closer, error)
	// Free returns the number of bytes that may still be written below a folder.
	Free(name string) (int64, error)
}

// File is an open file.
type File interface {
	io.Reader
	io.ReaderAt
	io.Writer
	io.Closer
	Size() (int64, error)
	Truncate(size int64) error
	// Sync makes the file's bytes and its size durable.
	Sync() error
	// Reread lets go of what is kept in memory, so that what is read next is
	// what the disk holds. After a failed sync the two may differ, and the
	// system no longer knows it.
	Reread() error
}

// OS is the file system of the operating system.
var OS FS = osFS{}

type osFS struct{}

type osFile struct{ *os.File }

func (osFS) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	f, err := os.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

func (osFS) Mkdir(name string, perm fs.FileMode) error  { return os.Mkdir(name, perm) }
func (osFS) ReadDir(name string) ([]fs.DirEntry, error) { return os.ReadDir(name) }
func (osFS) Remove(name string) error                   { return os.Remove(name) }
func (osFS) Rename(from, to string) error               { return os.Rename(from, to) }
func (f osFile) Reread() error                          { return unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) }

func (f osFile) Size() (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}

func (osFS) SyncDir(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func (osFS) Lock(name string) (io.Closer, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, filePerm)
	if err != nil {
		return nil, err
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = fmt.Errorf("%w%s", ErrLocked, heldBy(f))
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock %s: %w", name, err)
	}
	// For whoever is refused; the lock itself does not depend on it.
	if err := f.Truncate(0); err == nil {
		_, _ = fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return f, nil
}

// heldBy tells which process has a lock, as far as its file says so.
func heldBy(f *os.File) string {
	text := make([]byte, 20)
	n, _ := f.Read(text)
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text[:n]))); err == nil {
		return fmt.Sprintf(": process %d", pid)
	}
	return ""
}

func (osFS) Free(name string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(name, &s); err != nil {
		return 0, fmt.Errorf("statfs %s: %w", name, err)
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}
