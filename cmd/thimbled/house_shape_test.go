package main_test

import (
	"bytes"
	"fmt"
	"go/ast"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

// Longer than these, a file or a function has become several things.
const (
	mostFileLines = 450
	mostFuncLines = 80
)

// topLevel is all that lies at the top of the tree, beside dot-files.
var topLevel = []string{
	"DEVELOPERS.md", "LICENSE", "README.md", "acquire", "cmd", "config", "go.mod", "go.sum", "peak", "publish", "systemd", "testdata",
}

// emptyNames say nothing about what they name.
var emptyNames = []string{"common", "core", "data", "engine", "handler", "helpers", "manager", "misc", "service", "types", "util", "utils"}

// writingCalls are the calls of a Modbus client that write to an instrument.
var writingCalls = []string{
	"MaskWriteRegister", "ReadWriteMultipleRegisters", "WriteMultipleCoils", "WriteMultipleRegisters", "WriteSingleCoil", "WriteSingleRegister",
}

func TestTopLevelIsWhatItShouldBe(t *testing.T) {
	reportFaults(t, topLevelFaults(topNames(t)))
}

func TestTopLevelRuleIsStrict(t *testing.T) {
	full := append([]string{".git", ".ci"}, topLevel...)
	if faults := topLevelFaults(full); len(faults) > 0 {
		t.Errorf("the right top level was found at fault: %q", faults)
	}
	if faults := topLevelFaults(append(full, "scripts")); len(faults) != 1 {
		t.Errorf("one name too many gave %q", faults)
	}
	if faults := topLevelFaults(full[:len(full)-1]); len(faults) != 1 {
		t.Errorf("a missing name gave %q", faults)
	}
}

func TestFilesAndFunctionsAreShort(t *testing.T) {
	reportFaults(t, lengthFaults(house(t)))
}

func TestLengthRuleIsStrict(t *testing.T) {
	lines := func(n int) string { return strings.Repeat("\n", n) }
	showSamples(t, lengthFaults, []sample{
		{"peak/a.go", "package peak" + lines(mostFileLines), ""},
		{"peak/a.go", "package peak" + lines(mostFileLines+1), "451 lines"},
		{"peak/a_test.go", "package peak" + lines(mostFileLines+1), ""},
		{"peak/a.go", "package peak\nfunc f() {" + lines(mostFuncLines-1) + "}", ""},
		{"peak/a.go", "package peak\nfunc f() {" + lines(mostFuncLines) + "}", "f has 81 lines"},
	})
}

func TestEachPackageHasItsDoc(t *testing.T) {
	reportFaults(t, docFaults(house(t)))
}

func TestDocRuleIsStrict(t *testing.T) {
	showSamples(t, docFaults, []sample{
		{"peak/doc.go", "// Package peak is pure.\npackage peak", ""},
		{"peak/a_test.go", "package peak_test", ""},
		{"peak/doc.go", "package peak", "peak/doc.go"},
		{"peak/doc.go", "// Here is peak.\npackage peak", "peak/doc.go"},
		{"peak/a.go", "// Package peak is pure.\npackage peak", "peak/doc.go"},
	})
}

func TestNamesSaySomething(t *testing.T) {
	reportFaults(t, nameFaults(house(t)))
}

func TestNameRuleIsStrict(t *testing.T) {
	showSamples(t, nameFaults, []sample{
		{"peak/hold.go", "package peak", ""},
		{"peak/database.go", "package peak", ""},
		{"peak/core/hold.go", "package hold", "core"},
		{"peak/hold_utils.go", "package peak", "utils"},
		{"peak/hold.go", "package common", "common"},
		{"peak/hold.go", "package peak; type HoldManager struct{}", "HoldManager"},
	})
}

func TestNothingWritesToInstruments(t *testing.T) {
	reportFaults(t, writeFaults(house(t)))
}

func TestWriteRuleIsStrict(t *testing.T) {
	showSamples(t, writeFaults, []sample{
		{"acquire/modbus/a.go", "package modbus; func f() { client.ReadInputRegisters(0, 2) }", ""},
		{"acquire/modbus/a.go", "package modbus; func f() { client.WriteSingleRegister(0, 2) }", "WriteSingleRegister"},
		{"acquire/modbus/a.go", "package modbus; var f = client.WriteMultipleCoils", "WriteMultipleCoils"},
	})
}

func TestWordsAreOurOwn(t *testing.T) {
	faults, err := wordFaults(os.DirFS(top))
	if err != nil {
		t.Fatal(err)
	}
	reportFaults(t, faults)
}

func TestWordRuleIsStrict(t *testing.T) {
	for _, word := range strayWords() {
		tree := fstest.MapFS{
			"peak/testdata/a.txt": {Data: []byte("see " + strings.ToUpper(word) + " for more\n")},
			".git/config":         {Data: []byte(word)},
			"picture.png":         {Data: []byte("\x00" + word)},
			"clean.md":            {Data: []byte("where the work is done, and shared\n")},
		}
		faults, err := wordFaults(tree)
		if err != nil {
			t.Fatal(err)
		}
		if len(faults) != 1 || !strings.HasPrefix(faults[0], "peak/testdata/a.txt:1:") {
			t.Errorf("a stray %q gave %q", word, faults)
		}
	}
}

// topNames lists the top of the tree without what git ignores there.
func topNames(t *testing.T) []string {
	t.Helper()
	ignored, err := os.ReadFile(path.Join(top, ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(top)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, entry := range entries {
		if !slices.ContainsFunc(strings.Fields(string(ignored)), func(pattern string) bool {
			match, err := path.Match(strings.Trim(pattern, "/"), entry.Name())
			return match && err == nil
		}) {
			names = append(names, entry.Name())
		}
	}
	return names
}

func topLevelFaults(names []string) []string {
	var faults []string
	for _, name := range names {
		if !strings.HasPrefix(name, ".") && !slices.Contains(topLevel, name) {
			faults = append(faults, fmt.Sprintf("%s: not at the top level: find it a room", name))
		}
	}
	for _, name := range topLevel {
		if !slices.Contains(names, name) {
			faults = append(faults, fmt.Sprintf("%s: missing at the top level", name))
		}
	}
	return faults
}

func lengthFaults(files []sourceFile) []string {
	var faults []string
	for _, f := range files {
		if f.isTest() {
			continue
		}
		if lines := strings.Count(f.text, "\n"); lines > mostFileLines {
			faults = append(faults, fmt.Sprintf("%s: %d lines, %d are allowed", f.path, lines, mostFileLines))
		}
		for _, decl := range f.syntax.Decls {
			fn, ok := decl.(*ast.FuncDecl)
			if !ok {
				continue
			}
			if lines := f.position.Position(fn.End()).Line - f.position.Position(fn.Pos()).Line + 1; lines > mostFuncLines {
				faults = append(faults, fmt.Sprintf("%s: %s has %d lines, %d are allowed", f.at(fn.Pos()), fn.Name.Name, lines, mostFuncLines))
			}
		}
	}
	return faults
}

// docFaults finds packages without a doc.go that says what they are.
func docFaults(files []sourceFile) []string {
	documented := map[string]bool{}
	for _, f := range files {
		if !f.isTest() {
			documented[f.room()] = documented[f.room()] || path.Base(f.path) == "doc.go" && beginsLikeDoc(f)
		}
	}
	var faults []string
	for room, ok := range documented {
		if !ok {
			faults = append(faults, fmt.Sprintf("%s/doc.go: no comment that says what the package is", room))
		}
	}
	return faults
}

func beginsLikeDoc(f sourceFile) bool {
	begin := "Package " + f.syntax.Name.Name + " "
	if f.syntax.Name.Name == "main" {
		begin = strings.ToUpper(path.Base(f.room())[:1]) + path.Base(f.room())[1:] + " "
	}
	return strings.HasPrefix(f.syntax.Doc.Text(), begin)
}

func nameFaults(files []sourceFile) []string {
	var faults []string
	for _, f := range files {
		parts := strings.FieldsFunc(strings.TrimSuffix(f.path, ".go"), func(r rune) bool { return r == '/' || r == '_' })
		for _, part := range append(parts, f.syntax.Name.Name) {
			if slices.Contains(emptyNames, part) {
				faults = append(faults, fmt.Sprintf("%s: the name %s says nothing", f.path, part))
			}
		}
		ast.Inspect(f.syntax, func(node ast.Node) bool {
			if spec, ok := node.(*ast.TypeSpec); ok && strings.HasSuffix(strings.ToLower(spec.Name.Name), "manager") {
				faults = append(faults, fmt.Sprintf("%s: the name %s says nothing", f.at(spec.Pos()), spec.Name.Name))
			}
			return true
		})
	}
	return faults
}

func writeFaults(files []sourceFile) []string {
	var faults []string
	for _, f := range files {
		ast.Inspect(f.syntax, func(node ast.Node) bool {
			if call, ok := node.(*ast.SelectorExpr); ok && slices.Contains(writingCalls, call.Sel.Name) {
				faults = append(faults, fmt.Sprintf("%s: %s writes to an instrument", f.at(call.Pos()), call.Sel.Name))
			}
			return true
		})
	}
	return faults
}

// strayWords are words of the place where the project is made, not of the
// project. They are put together here so that this file does not have them.
func strayWords() []string {
	return []string{
		"/wo" + "rk/", "../sha" + "red", "shared/pub" + "lished", "field-" + "notes", "prototypes" + ".md", "design" + ".md", "design sec" + "tion",
		"/ro" + "ot/", "proxy.golang" + ".org", "debian" + ".org", "npmjs" + ".org", "issue" + "s show", "// fix" + "me", "// to" + "do",
	}
}

// wordFaults looks for stray words in all text files, whatever their case.
func wordFaults(tree fs.FS) ([]string, error) {
	var faults []string
	err := fs.WalkDir(tree, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.Name() == ".git" {
			if entry.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if !entry.Type().IsRegular() {
			return nil
		}
		text, err := fs.ReadFile(tree, name)
		if err != nil || bytes.IndexByte(text, 0) >= 0 {
			return err
		}
		lines := bytes.Split(bytes.ToLower(text), []byte("\n"))
		for i, line := range lines {
			for _, word := range strayWords() {
				if bytes.Contains(line, []byte(word)) {
					faults = append(faults, fmt.Sprintf("%s:%d: a stray %q", name, i+1, word))
				}
			}
		}
		return nil
	})
	return faults, err
}
