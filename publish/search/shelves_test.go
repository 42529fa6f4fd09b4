package search_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/search"
)

// told is all that an index answers, as text.
func told(t *testing.T, x *search.Index, pulls int64) string {
	t.Helper()
	var out strings.Builder
	for i, q := range []search.Query{
		{}, {Limit: 3}, {Limit: 40}, {Item: "hl-0000*"}, {Verdict: peak.Failed, Limit: 5}, {Verdict: peak.Pass},
		{Since: opened.Add(50 * time.Hour), Limit: 7}, {Until: opened.Add(50 * time.Hour), Limit: 7},
		{Since: opened.Add(50 * time.Hour), Until: opened.Add(70 * time.Hour)}, {Item: "HL-00003"},
	} {
		tests, total, err := x.Find(q)
		if err != nil {
			t.Fatal(err)
		}
		if err := search.WriteJSON(&out, tests, total); err != nil {
			t.Fatal(err)
		}
		for _, one := range tests[:len(tests)*max(0, 1-i)] {
			if again, ok := x.Test(one.Job); !ok || again.Record != one.Record {
				t.Fatalf("test of %s: %v", one.Job, ok)
			}
		}
	}
	for n := range pulls {
		p, ok := x.Pull(n)
		text, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(&out, n, ok, string(text))
	}
	return out.String()
}

// An index with nearly everything on shelves answers as one with everything in
// memory does, started anew at any moment, and with findings at items whose tests are
// on a shelf already.
func TestShelvesAnswerAsMemoryDoes(t *testing.T) {
	for seed := range uint64(2) {
		all := slices.Collect(years(seed, 120))
		c := clerk{last: all[len(all)-1].Number}
		for _, n := range []int{3, 90, 3} {
			all = append(all, c.write(inspectionOf(jobOf(fmt.Sprintf("j-%06d", n), "HL"), 3000*time.Hour, "B. Ek", n == 3)))
		}
		chance := rand.New(rand.NewPCG(seed, 9))
		dir := t.TempDir()
		want, x := search.New(), shelved(t, dir)
		for _, r := range all {
			if err := want.Add(r); err != nil {
				t.Fatal(err)
			}
			if chance.IntN(60) == 0 {
				x = shelved(t, dir)
			}
			for _, again := range all[x.Last():r.Number] {
				if err := x.Add(again); err != nil {
					t.Fatal(err)
				}
			}
			if tests, pulls := x.InMemory(); tests > 12 || pulls > 60 {
				t.Fatalf("record %d: %d tests and %d pulls are in memory", r.Number, tests, pulls)
			}
		}
		if files, _ := filepath.Glob(filepath.Join(dir, "*.tests")); len(files) < 10 {
			t.Fatalf("only %d shelves", len(files))
		}
		if got, want := told(t, x, 250), told(t, want, 250); got != want {
			t.Errorf("seed %d: on shelves\n%.3000s\nin memory\n%.3000s", seed, got, want)
		}
	}
}

func shelved(t testing.TB, dir string) *search.Index {
	t.Helper()
	x, err := search.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	x.KeepYoung(12)
	return x
}

// A shelf that is damaged anywhere is never taken for a good one: it is told, or made
// again from the journal.
func TestDamagedShelves(t *testing.T) {
	all := slices.Collect(years(1, 60))
	dir := t.TempDir()
	x := shelved(t, dir)
	for _, r := range all {
		if err := x.Add(r); err != nil {
			t.Fatal(err)
		}
	}
	want := told(t, x, 100)
	files, err := filepath.Glob(filepath.Join(dir, "*.tests"))
	if err != nil || len(files) < 3 {
		t.Fatal(files, err)
	}
	sound, err := os.ReadFile(files[1])
	if err != nil {
		t.Fatal(err)
	}
	told1 := 0
	for at := 0; at < len(sound); at += 1 + len(sound)/12 {
		bad := bytes.Clone(sound)
		bad[at] ^= 1
		if at%2 == 1 {
			bad = bad[:at]
		}
		if err := os.WriteFile(files[1], bad, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, _, err := shelved(t, dir).Find(search.Query{}); err != nil {
			told1++
		}
		again := shelved(t, dir)
		for _, r := range all[again.Last():] {
			if err := again.Add(r); err != nil {
				t.Fatal(err)
			}
		}
		if got := told(t, again, 100); got != want {
			t.Fatalf("byte %d: other answers after it was made again", at)
		}
	}
	if told1 == 0 {
		t.Error("no damage was told")
	}
}

// Shelves of another journal do not count.
func TestShelvesOfAnotherJournal(t *testing.T) {
	dir := t.TempDir()
	follow := func(all []publish.Record) *search.Index {
		s, x := newShelf(), shelved(t, dir)
		s.put(all...)
		go x.Run(t.Context(), s)
		if err := x.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		return x
	}
	follow(slices.Collect(years(1, 60)))
	all := slices.Collect(years(2, 90))
	x := follow(all)
	if got, want := told(t, x, 100), told(t, indexOf(t, all...), 100); got != want {
		t.Error("tests of another journal are found")
	}
	if x := shelved(t, dir); x.Last() == 0 {
		t.Error("no shelf is there after that")
	}
}
