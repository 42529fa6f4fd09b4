package journal

import (
	"bytes"
	"go/doc/comment"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// checkByHand is the script of the package's description, as it stands there.
func checkByHand(t *testing.T) string {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "doc.go", nil, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	var p comment.Parser
	for _, block := range p.Parse(file.Doc.Text()).Content {
		if code, ok := block.(*comment.Code); ok && strings.Contains(code.Text, "sha256sum") {
			return code.Text
		}
	}
	t.Fatal("the description has no script")
	return ""
}

// The script of the package's description, run with sh, sha256sum and jq alone,
// finds a journal sound and finds a changed byte in it.
func TestCheckByHand(t *testing.T) {
	for _, name := range []string{"sh", "sha256sum", "jq"} {
		if _, err := exec.LookPath(name); err != nil {
			t.Skipf("%s is not installed (Debian: apt-get install dash coreutils jq)", name)
		}
	}
	t.Parallel()
	script := checkByHand(t)
	dir := t.TempDir()
	j := writeSmall(t)
	if err := os.Mkdir(filepath.Join(dir, tracesDir), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, name := range append(j.segments, traceName(1)) {
		if err := os.WriteFile(filepath.Join(dir, name), j.fsys.bytesOf("/j/"+name), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	run := func() ([]byte, error) {
		sh := exec.Command("sh", "-c", script)
		sh.Dir = dir
		return sh.CombinedOutput()
	}
	if out, err := run(); err != nil {
		t.Fatalf("a sound journal: %v\n%s", err, out)
	}
	first, last := j.segments[0], j.segments[1]
	for name, change := range map[string]func(b []byte) (file string, at int, to byte){
		"first byte":              func(b []byte) (string, int, byte) { return first, 0, '[' },
		"in the data":             func(b []byte) (string, int, byte) { return first, bytes.Index(b, []byte(`"pull":1`)) + 7, '2' },
		"case of a hex digit":     func(b []byte) (string, int, byte) { return first, lastLetter(b), b[lastLetter(b)] ^ 0x20 },
		"in the last line":        func(b []byte) (string, int, byte) { return last, lastLine(b) + 60, '~' },
		"last line hash":          func(b []byte) (string, int, byte) { return last, lastLetter(b), 'f' ^ b[lastLetter(b)] ^ 'e' },
		"last closing brace":      func(b []byte) (string, int, byte) { return last, len(b) - 2, ']' },
		"last line feed":          func(b []byte) (string, int, byte) { return last, len(b) - 1, ' ' },
		"line feed in the middle": func(b []byte) (string, int, byte) { return first, bytes.IndexByte(b, '\n'), ' ' },
		"a zero byte":             func(b []byte) (string, int, byte) { return first, 100, 0 },
		"trace":                   func(b []byte) (string, int, byte) { return traceName(1), len(b) / 2, '9' },
	} {
		t.Run(name, func(t *testing.T) {
			file, _, _ := change([]byte(strings.Repeat("a\n", 200)))
			path := filepath.Join(dir, file)
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			_, at, to := change(data)
			bad := bytes.Clone(data)
			if bad[at] == to {
				t.Fatalf("byte %d is %q already", at, to)
			}
			bad[at] = to
			if err := os.WriteFile(path, bad, 0o600); err != nil {
				t.Fatal(err)
			}
			if out, err := run(); err == nil {
				t.Errorf("not found\n%s", out)
			}
			if report, err := Audit(dir); err != nil || report.Sound() {
				t.Errorf("not found by the audit: %v", err)
			}
			if err := os.WriteFile(path, data, 0o600); err != nil {
				t.Fatal(err)
			}
		})
	}
}

// lastLetter is the place of the last hex digit that is a letter.
func lastLetter(b []byte) int { return bytes.LastIndexAny(b, "abcdef") }
