package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"thimbled/publish"
)

// FuzzRecordsJudgedAgain lets an audit judge again what somebody made up: it must not
// fall over, whatever the records say.
func FuzzRecordsJudgedAgain(f *testing.F) {
	golden, err := os.ReadFile(filepath.Join("..", "..", "testdata", "events", "all.jsonl"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(golden)
	for line := range bytes.Lines(golden) {
		f.Add(bytes.Repeat(line, 2))
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, lines []byte) {
		r := newRecomputing(dir, nil, nil)
		number := uint64(0)
		s := bufio.NewScanner(bytes.NewReader(lines))
		for s.Scan() {
			var e struct {
				Type string
				Time time.Time
				Data json.RawMessage
			}
			if json.Unmarshal(s.Bytes(), &e) != nil {
				continue
			}
			number++
			r.record("1.jsonl", publish.Record{Number: number, Event: publish.Event{Type: e.Type, Time: e.Time, Data: e.Data}})
		}
		if found := r.end(); found.pulls > found.there {
			t.Errorf("%d pulls judged of %d", found.pulls, found.there)
		}
	})
}
