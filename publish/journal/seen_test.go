package journal

import (
	"bytes"
	"slices"
	"testing"

	"thimbled/peak"
	"thimbled/publish"
)

// listed is a tally that tells of each line.
type listed struct {
	noTally
	add func([]byte)
}

func (l listed) Add(line []byte) { l.add(line) }

// Each durable line is shown once, in order: what Open reads back, then what is
// appended, and to an audit with its number.
func TestLinesAreShown(t *testing.T) {
	dir := t.TempDir()
	var seen [][]byte
	o := Options{Bench: "dock-3", SegmentBytes: 1000, Tally: func() Tally {
		return listed{add: func(line []byte) { seen = append(seen, bytes.Clone(line)) }}
	}}
	write := func(n int) {
		w, _, err := Open(dir, o)
		if err != nil {
			t.Fatal(err)
		}
		for range n {
			if _, err := w.Append(publish.Encode(peak.ZeroSet{By: "Anna"}, publish.Clock{}, nil)); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	write(4)
	first := seen
	seen = nil
	write(3)
	var want [][]byte
	for r, err := range Records(dir) {
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, r.Line)
	}
	if len(want) != 7 || !slices.EqualFunc(first, want[:4], bytes.Equal) || !slices.EqualFunc(seen, want, bytes.Equal) {
		t.Errorf("shown were %d lines and then %d, not what %d records hold", len(first), len(seen), len(want))
	}
	var numbers []uint64
	segments := map[string]bool{}
	report, err := AuditEach(dir, func(segment string, r publish.Record) {
		numbers = append(numbers, r.Number)
		segments[segment] = true
	})
	if err != nil || !report.Sound() || !slices.Equal(numbers, []uint64{1, 2, 3, 4, 5, 6, 7}) || len(segments) != report.Segments {
		t.Errorf("an audit shows records %v of %d segments: %+v, %v", numbers, len(segments), report, err)
	}
}

// A daemon that seals its journal after it stopped has still stopped cleanly.
func TestSealAfterStopIsClean(t *testing.T) {
	for _, story := range []struct {
		events []peak.Event
		clean  bool
	}{
		{[]peak.Event{peak.DaemonStopped{Clean: true}, peak.JournalSealed{}}, true},
		{[]peak.Event{peak.DaemonStopped{Clean: false}, peak.JournalSealed{}}, false},
		{[]peak.Event{peak.DaemonStopped{Clean: true}, peak.DaemonStarted{}, peak.JournalSealed{}}, false},
		{[]peak.Event{peak.JournalSealed{}}, false},
	} {
		dir := t.TempDir()
		w, _, err := Open(dir, Options{Bench: "dock-3"})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range story.events {
			if _, err := w.Append(publish.Encode(e, publish.Clock{}, nil)); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		w, opened, err := Open(dir, Options{Bench: "dock-3"})
		if err != nil {
			t.Fatal(err)
		}
		w.Close()
		if opened.Clean != story.clean {
			t.Errorf("after %v clean is %v", story.events, opened.Clean)
		}
	}
}
