package access

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Write puts the users in place of those in the file at path, wholly or not at
// all, and keeps the file's owner and rights. A new file is its owner's alone.
func (all Users) Write(path string) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("write users: %w", err)
		}
	}()
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, ".users-*") // for its owner alone
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // not there any more once it is in place
	err = errors.Join(keepRights(f, path), writeSynced(f, all.Text()), f.Close())
	if err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncFolder(dir)
}

// keepRights gives a file the owner and the rights of the one it will replace.
func keepRights(f *os.File, path string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return errors.Join(keepOwner(f, info), f.Chmod(info.Mode().Perm()&^0o007))
}

func writeSynced(f *os.File, text []byte) error {
	if _, err := f.Write(text); err != nil {
		return err
	}
	return f.Sync()
}

// WriteSecret makes a file for its owner alone. One that exists is left as it is,
// and is the error [fs.ErrExist].
func WriteSecret(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(writeSynced(f, text), f.Close()); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
