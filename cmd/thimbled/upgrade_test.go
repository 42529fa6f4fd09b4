package main_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// built builds the program as a release of a version.
func built(t *testing.T, dir, version string) string {
	t.Helper()
	path := filepath.Join(dir, "thimbled-"+version)
	build := exec.Command("go", "build", "-ldflags", "-X main.release="+version, "-o", path, ".")
	if said, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, said)
	}
	return path
}

// startBuilt starts a built program.
func startBuilt(t *testing.T, path string, args ...string) *program {
	t.Helper()
	p := &program{command: exec.Command(path, args...), out: &lockedBuffer{}}
	p.command.Stdout, p.command.Stderr = p.out, p.out
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.command.Process.Kill()
		p.command.Wait()
		if t.Failed() {
			t.Logf("%s %s said:\n%s", path, strings.Join(args, " "), p.out)
		}
	})
	return p
}

// changeOfVersion is what the records say of a change of the version: old, new.
func changeOfVersion(t *testing.T, all []record) (changes [][2]string) {
	t.Helper()
	for _, r := range all {
		if r.Type != "thimbled.parameters.changed" {
			continue
		}
		var d struct {
			Changes []struct{ Parameter, Old, New string }
		}
		if err := json.Unmarshal(r.Data, &d); err != nil {
			t.Fatal(err)
		}
		for _, c := range d.Changes {
			if c.Parameter == "version" {
				changes = append(changes, [2]string{c.Old, c.New})
			}
		}
	}
	return changes
}

// TestUpgradeInMidJob replaces the program by a later version while a pull of a job is
// in hand: once the old one is killed, and once it is stopped; and goes back to the old
// version. The records stay as they are, the job stays open, the pull ends as
// interrupted, and each change of the version is on record.
func TestUpgradeInMidJob(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("needs the go command, to build two versions: install Go")
	}
	t.Parallel()
	programs := t.TempDir()
	older, newer := built(t, programs, "1.0.0"), built(t, programs, "1.1.0")
	for name, end := range map[string]os.Signal{"killed": syscall.SIGKILL, "stopped": syscall.SIGTERM} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			p := startBuilt(t, older, "demo", "--fast", "10", "--dir", dir)
			until(t, "a pull of a job", func() bool { return inHand(journalOf(t, dir)) })
			p.command.Process.Signal(end)
			p.command.Wait()
			before := journalOf(t, dir)
			job := jobLeftOpen(before)
			if job == "" {
				t.Skip("the pull ended before the program did")
			}
			config := filepath.Join(dir, "bench", "dock-3.toml")
			for _, next := range []struct{ path, from, to string }{{newer, "1.0.0", "1.1.0"}, {older, "1.1.0", "1.0.0"}} {
				p := startBuilt(t, next.path, "run", "--config", config)
				var shown string
				until(t, "the daemon to tell its job", func() bool {
					_, shown, _ = call(t, "job", "show", "--config", config)
					return strings.Contains(shown, job)
				})
				p.stop(t)
				after := journalOf(t, dir)
				checkKept(t, before, after)
				checkInterrupted(t, before, after[len(before):])
				if got := changeOfVersion(t, after[len(before):]); len(got) != 1 || got[0] != [2]string{next.from, next.to} {
					t.Errorf("changes of the version: %v", got)
				}
				audit(t, dir, 0, "is sound")
				before = after
			}
		})
	}
}

// jobLeftOpen is the item of the job that a journal leaves open; empty if none.
func jobLeftOpen(all []record) (item string) {
	for _, r := range all {
		switch r.Type {
		case "thimbled.job.opened":
			var d struct{ Item string }
			if json.Unmarshal(r.Data, &d) == nil {
				item = d.Item
			}
		case "thimbled.test.ended", "thimbled.job.cancelled":
			item = ""
		}
	}
	return item
}
