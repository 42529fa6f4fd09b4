package main_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// users runs the command with a text on standard input.
func users(t *testing.T, in string, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	c := exec.Command(os.Args[0], append([]string{"users"}, args...)...)
	c.Env = append(os.Environ(), asProgram+"=1")
	c.Stdin = strings.NewReader(in)
	var o, e bytes.Buffer
	c.Stdout, c.Stderr = &o, &e
	if err := c.Run(); err != nil && c.ProcessState == nil {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), o.String(), e.String()
}

const goodPassword = "a wind from the north\n"

func TestUsersAreAddedListedAndRemoved(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file, seed := filepath.Join(dir, "users"), filepath.Join(dir, "ben.nk")
	for _, args := range [][]string{
		{"add", "ada", "--role", "administer", "--file", file},
		{"add", "ben", "--role", "operate", "--nkey", seed, "--no-password", "--file", file},
	} {
		if status, out, errs := users(t, goodPassword, args...); status != 0 || out != "" || !strings.Contains(errs, "Restart") {
			t.Fatalf("%q ends with %d: %s%s", args, status, out, errs)
		}
	}
	for _, path := range []string{file, seed} {
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s is %v, %v", path, info, err)
		}
	}
	text, err := os.ReadFile(file)
	if err != nil || bytes.Contains(text, []byte("wind")) {
		t.Errorf("the file: %v\n%s", err, text)
	}
	status, out, errs := users(t, "", "list", "--file", file)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if status != 0 || len(lines) != 2 || strings.Join(strings.Fields(lines[0]), " ") != "ada administer password" || !strings.Contains(lines[1], "operate    U") {
		t.Errorf("listed (%d): %s%s", status, out, errs)
	}
	if strings.Contains(out, "pbkdf2") {
		t.Error("the list tells hashes")
	}
	if status, _, errs := users(t, "", "remove", "ada", "--file", file); status != 0 {
		t.Errorf("removing ends with %d: %s", status, errs)
	}
	if _, out, _ := users(t, "", "list", "--file", file); strings.Contains(out, "ada") || !strings.Contains(out, "ben") {
		t.Errorf("after removing: %s", out)
	}
}

// TestUsersRefuses checks that what is refused changes nothing.
func TestUsersRefuses(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "users")
	if status, _, errs := users(t, goodPassword, "add", "ada", "--role", "view", "--file", file); status != 0 {
		t.Fatal(errs)
	}
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	taken := filepath.Join(dir, "taken")
	if err := os.WriteFile(taken, []byte("keep"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		in, says string
		status   int
		args     []string
	}{
		{goodPassword, "already", 2, []string{"add", "ada", "--role", "view"}},
		{goodPassword, "no role", 2, []string{"add", "cy", "--role", "lord"}},
		{goodPassword, "no role", 2, []string{"add", "cy"}},
		{goodPassword, "no name", 2, []string{"add", "../cy", "--role", "view"}},
		{goodPassword, "no name", 2, []string{"add", "cy view", "--role", "view"}},
		{"short\n", "at least 10", 2, []string{"add", "cy", "--role", "view"}},
		{"", "password", 74, []string{"add", "cy", "--role", "view"}},
		{"", "needs --nkey", 2, []string{"add", "cy", "--role", "view", "--no-password"}},
		{goodPassword, "exists", 74, []string{"add", "cy", "--role", "view", "--nkey", taken}},
		{"", "no user", 2, []string{"remove", "cy"}},
		{"", "add, remove or list", 2, []string{"rename", "ada"}},
		{"", "say who", 2, []string{"remove"}},
	} {
		status, _, errs := users(t, c.in, append(c.args, "--file", file)...)
		if status != c.status || !strings.Contains(errs, c.says) {
			t.Errorf("%q ends with %d, want %d and %q: %s", c.args, status, c.status, c.says, errs)
		}
	}
	after, err := os.ReadFile(file)
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the file was changed: %v\n%s", err, after)
	}
	if text, _ := os.ReadFile(taken); string(text) != "keep" {
		t.Error("a file was written over")
	}
}
