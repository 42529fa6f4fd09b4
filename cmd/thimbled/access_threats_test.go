package main_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var (
	testName = regexp.MustCompile("`((?:Test|Fuzz)[A-Za-z0-9]+)`")
	testFunc = regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)[A-Za-z0-9]+)\(`)
)

// TestEachThreatNamesItsTests looks whether each row of the table of threats names
// tests, and whether those are there.
func TestEachThreatNamesItsTests(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(top, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, part, found := strings.Cut(string(text), "\n## Threats\n")
	part, _, ends := strings.Cut(part, "\n## ")
	if !found || !ends {
		t.Fatal("there is no table of threats")
	}
	known := map[string]bool{}
	for _, f := range house(t) {
		if f.isTest() {
			source, err := os.ReadFile(filepath.Join(top, f.path))
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range testFunc.FindAllSubmatch(source, -1) {
				known[string(m[1])] = true
			}
		}
	}
	rows := 0
	for line := range strings.Lines(part) {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| threat ") {
			continue
		}
		rows++
		cells := strings.Split(line, " | ")
		names := testName.FindAllStringSubmatch(cells[len(cells)-1], -1)
		if len(cells) != 3 || len(names) == 0 {
			t.Errorf("a row without a test: %s", line)
		}
		for _, name := range names {
			if !known[name[1]] {
				t.Errorf("there is no %s, which %q names", name[1], cells[0])
			}
		}
	}
	if rows < 20 {
		t.Errorf("only %d rows", rows)
	}
}
