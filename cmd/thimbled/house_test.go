package main_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"strings"
	"testing"
	"testing/fstest"
)

// The rules of the house are tests. Each rule is a function from source files,
// as they lie on disk, to the faults it finds in them; each is also shown
// samples with a fault, because a rule that cannot be broken keeps nothing.

// top is the top of the source tree, seen from this package's folder.
const top = "../.."

// sourceFile is one Go file, parsed but not compiled.
type sourceFile struct {
	path     string // from the top of the tree, with slashes
	text     string
	syntax   *ast.File
	position *token.FileSet
}

func (f sourceFile) room() string { return path.Dir(f.path) }

func (f sourceFile) isTest() bool { return strings.HasSuffix(f.path, "_test.go") }

// at names a place in the file for a person.
func (f sourceFile) at(pos token.Pos) string { return f.position.Position(pos).String() }

// parseTree parses the Go files of a tree. Like the go command it leaves out
// testdata and folders that begin with a dot.
func parseTree(tree fs.FS) ([]sourceFile, error) {
	var files []sourceFile
	positions := token.NewFileSet()
	err := fs.WalkDir(tree, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.IsDir() {
			if base := entry.Name(); base == "testdata" || base != "." && strings.HasPrefix(base, ".") {
				return fs.SkipDir
			}
			return nil
		}
		if path.Ext(name) != ".go" {
			return nil
		}
		text, err := fs.ReadFile(tree, name)
		if err != nil {
			return err
		}
		syntax, err := parser.ParseFile(positions, name, text, parser.ParseComments)
		if err != nil {
			return err
		}
		files = append(files, sourceFile{name, string(text), syntax, positions})
		return nil
	})
	return files, err
}

// house returns the Go files of this tree.
func house(t *testing.T) []sourceFile {
	t.Helper()
	files, err := parseTree(os.DirFS(top))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) == 0 {
		t.Fatal("no source found")
	}
	return files
}

func reportFaults(t *testing.T, faults []string) {
	t.Helper()
	for _, fault := range faults {
		t.Error(fault)
	}
}

// sample is one file that a rule is shown. Its fault is a part of what the rule
// must say about it, and empty if the rule must be content.
type sample struct{ path, text, fault string }

// showSamples shows a rule each sample alone.
func showSamples(t *testing.T, rule func([]sourceFile) []string, samples []sample) {
	t.Helper()
	for _, s := range samples {
		files, err := parseTree(fstest.MapFS{s.path: {Data: []byte(s.text)}})
		if err != nil {
			t.Fatal(err)
		}
		faults := rule(files)
		switch {
		case s.fault == "" && len(faults) > 0:
			t.Errorf("%s: %q was found at fault: %q", s.path, s.text, faults)
		case s.fault != "" && (len(faults) != 1 || !strings.Contains(faults[0], s.fault)):
			t.Errorf("%s: %q gave %q, want one fault that says %q", s.path, s.text, faults, s.fault)
		}
	}
}
