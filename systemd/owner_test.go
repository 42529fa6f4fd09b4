package systemd_test

import (
	"io/fs"
	"os"
	"syscall"
	"testing"
)

func checkFolder(t *testing.T, path string, user, group int, mode fs.FileMode) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if !info.IsDir() || info.Mode().Perm() != mode {
		t.Errorf("%s is %v, want a folder with mode %v", path, info.Mode(), mode)
	}
	owner := info.Sys().(*syscall.Stat_t)
	if int(owner.Uid) != user || int(owner.Gid) != group {
		t.Errorf("%s belongs to %d:%d, want %d:%d", path, owner.Uid, owner.Gid, user, group)
	}
}
