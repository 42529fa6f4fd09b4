package access

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"thimbled/publish"
)

// word is a password.
const word = "crane on the quay"

// wordHash is its hash, made once, for that takes a while.
var wordHash = sync.OnceValues(func() (Hash, error) { return NewHash(word) })

func hashed(t *testing.T) Hash {
	t.Helper()
	h, err := wordHash()
	if err != nil {
		t.Fatal(err)
	}
	return h
}

const key = "U" + "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567ABCDEFGHIJKLMNOPQRSTUVW"

func TestFileRoundTrip(t *testing.T) {
	all := Users{
		{User: publish.User{Name: "ada", Role: publish.View}, Password: hashed(t)},
		{User: publish.User{Name: "ben.k", Role: publish.Operate}, Key: key},
		{User: publish.User{Name: "cy_2", Role: publish.Administer}, Password: hashed(t)},
	}
	path := filepath.Join(t.TempDir(), "users")
	if err := all.Write(path); err != nil {
		t.Fatal(err)
	}
	back, err := Read(path)
	if err != nil || string(back.Text()) != string(all.Text()) || len(back) != 3 {
		t.Fatalf("%v, %v", back, err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file is %v, %v", info.Mode(), err)
	}
	if u, ok := back.Check("ada", word); !ok || u != all[0].User {
		t.Errorf("the right password: %v, %t", u, ok)
	}
	for name, password := range map[string]string{"ada": "wrong password", "ben.k": "", "nobody": word, "": "", "cy_2": strings.Repeat("x", 1<<20)} {
		if _, ok := back.Check(name, password); ok {
			t.Errorf("%s gets in with %.20q", name, password)
		}
	}
}

// TestRightsAreKept writes over a file that a group may read.
func TestRightsAreKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "users")
	if err := os.WriteFile(path, nil, 0o640); err != nil {
		t.Fatal(err)
	}
	if err := (Users{{User: publish.User{Name: "ada", Role: publish.View}, Key: key}}).Write(path); err != nil {
		t.Fatal(err)
	}
	if info, _ := os.Stat(path); info.Mode().Perm() != 0o640 {
		t.Errorf("the file is %v", info.Mode())
	}
	left, _ := filepath.Glob(filepath.Join(filepath.Dir(path), ".users*"))
	if len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

func TestReadableByOthers(t *testing.T) {
	path := filepath.Join(t.TempDir(), "users")
	for mode, want := range map[os.FileMode]bool{0o600: true, 0o640: true, 0o644: false, 0o604: false, 0o602: false} {
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(path); (err == nil) != want || err != nil && !errors.Is(err, ErrReadable) {
			t.Errorf("%v: %v", mode, err)
		}
	}
	if _, err := Read(filepath.Dir(path)); err == nil {
		t.Error("a folder passes")
	}
}

// TestEveryProblemIsTold and none tells a hash.
func TestEveryProblemIsTold(t *testing.T) {
	sound := hashed(t).text()
	text := strings.Join([]string{
		"# users", "ada view " + sound + " -", "Ben view - -", "cy lord - -", "dan view secret-word -", "eve view - Ushort", "few view",
		"ada operate - " + key, "gil view - " + key, "hal view " + strings.Replace(sound, "600000", "1000", 1) + " -", "ida view - " + key, "",
	}, "\n")
	_, err := Parse([]byte(text))
	var problems Problems
	if !errors.As(err, &problems) {
		t.Fatal(err)
	}
	var lines []int
	for _, p := range problems {
		lines = append(lines, p.Line)
	}
	if len(lines) != 9 || lines[0] != 3 || lines[8] != 11 {
		t.Errorf("lines %v: %v", lines, err)
	}
	for _, secret := range []string{"secret-word", strings.Split(sound, "$")[3]} {
		if strings.Contains(err.Error(), secret) {
			t.Errorf("the error tells %s: %v", secret, err)
		}
	}
}

// TestHashAgreesWithPython has Python's hashlib make the same hash.
func TestHashAgreesWithPython(t *testing.T) {
	if _, err := exec.LookPath("python3"); err != nil {
		t.Skip("python3 is missing: apt-get install python3")
	}
	h := hashed(t)
	const program = `import base64, hashlib, sys
_, rounds, salt, _ = sys.argv[1].split("$")
raw = base64.b64decode(salt + "=" * (-len(salt) % 4))
print(base64.b64encode(hashlib.pbkdf2_hmac("sha256", sys.argv[2].encode(), raw, int(rounds))).decode().rstrip("="))`
	out, err := exec.Command("python3", "-c", program, h.text(), word).Output()
	if want := strings.Split(h.text(), "$")[3]; err != nil || strings.TrimSpace(string(out)) != want {
		t.Errorf("Python makes %s, %v; ours is %s", out, err, want)
	}
}

// TestStrangersTakeAsLong: what is computed for a stranger is what is for a user.
func TestStrangersTakeAsLong(t *testing.T) {
	h := hashed(t)
	if stranger.rounds != h.rounds || len(stranger.salt) != len(h.salt) || len(stranger.sum) != len(h.sum) {
		t.Error("a stranger's hash is not made like a user's")
	}
}

func TestPasswordsAreLongEnough(t *testing.T) {
	for _, password := range []string{"", "short", strings.Repeat("x", longestWord+1)} {
		if _, err := NewHash(password); err == nil {
			t.Errorf("%.10q passes", password)
		}
	}
	if again, err := NewHash(word); err != nil || again == hashed(t) {
		t.Errorf("two hashes of a password are the same, %v", err)
	}
}

func TestSecretIsNotOverwritten(t *testing.T) {
	path := filepath.Join(t.TempDir(), "seed")
	if err := WriteSecret(path, []byte("one")); err != nil {
		t.Fatal(err)
	}
	if err := WriteSecret(path, []byte("two")); !errors.Is(err, os.ErrExist) {
		t.Errorf("written over: %v", err)
	}
	if text, err := ReadSecret(path, 10); err != nil || string(text) != "one" {
		t.Errorf("%s, %v", text, err)
	}
	if _, err := ReadSecret(path, 2); err == nil {
		t.Error("a file that is too large passes")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("# c\nada view - -\nben operate - " + key + "\n"))
	f.Add([]byte("ada view pbkdf2-sha256$600000$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA -\n"))
	f.Add([]byte("ada view - -\r\nada\n\x00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		all, err := Parse(text)
		if err != nil {
			return
		}
		back, err := Parse(all.Text())
		if err != nil || string(back.Text()) != string(all.Text()) {
			t.Errorf("%q comes back as %q, %v", text, back.Text(), err)
		}
	})
}
