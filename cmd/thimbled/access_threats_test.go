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

// TestTablesNameTheirTests looks whether each row of the tables of threats and faults
// names tests, and whether those are there.
func TestTablesNameTheirTests(t *testing.T) {
	known := knownTests(t)
	tableNames(t, known, "Threats", 3)
	tableNames(t, known, "Faults", 4)
}

// knownTests are the names of all tests of the house.
func knownTests(t *testing.T) map[string]bool {
	t.Helper()
	known := map[string]bool{}
	for _, f := range house(t) {
		if !f.isTest() {
			continue
		}
		source, err := os.ReadFile(filepath.Join(top, f.path))
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range testFunc.FindAllSubmatch(source, -1) {
			known[string(m[1])] = true
		}
	}
	return known
}

// tableNames checks the table of a section, whose last column has the tests.
func tableNames(t *testing.T, known map[string]bool, section string, columns int) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(top, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, part, found := strings.Cut(string(text), "\n## "+section+"\n")
	part, _, ends := strings.Cut(part, "\n## ")
	if !found || !ends {
		t.Fatalf("there is no table of %s", section)
	}
	rows := -1 // the head is none
	for line := range strings.Lines(part) {
		if !strings.HasPrefix(line, "| ") {
			continue
		}
		if rows++; rows == 0 {
			continue
		}
		cells := strings.Split(line, " | ")
		names := testName.FindAllStringSubmatch(cells[len(cells)-1], -1)
		if len(cells) != columns || len(names) == 0 {
			t.Errorf("a row without a test: %s", line)
		}
		for _, name := range names {
			if !known[name[1]] {
				t.Errorf("there is no %s, which %q names", name[1], cells[0])
			}
		}
	}
	if rows < 20 {
		t.Errorf("only %d rows of %s", rows, section)
	}
}
