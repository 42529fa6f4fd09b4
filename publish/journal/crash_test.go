package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// witness is a run of a daemon that remembers what it was promised. check is
// called each time something was promised.
type witness struct {
	acked   []publish.Record // appended without an error, or found when the journal was opened
	cuts    []*Cut           // what was cut off, of segments and traces
	tracing uint64           // the trace begun and not sealed, by number
	added   []peak.Reading   // to it
	sealed  publish.Trace    // the one that was sealed last
	check   func()
}

func (s *witness) promised() {
	if s.check != nil {
		s.check()
	}
}

// run opens the journal, ends the pull that may be in hand, makes another one
// and closes the journal. It stops at the first error, as a daemon does, and
// returns it.
func (s *witness) run(fsys FS) (err error) {
	o := options(fsys)
	o.SegmentBytes = 2000 // the removal of a trace does not always begin a segment
	w, opened, err := Open("/j", o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	for n := range opened.Last {
		r, err := w.Next(context.Background(), n)
		if err != nil {
			return err
		}
		s.acked = append(s.acked, r)
	}
	s.cutOff(opened.Cut)
	s.promised()
	if err := s.append(w, encode(peak.DaemonStarted{Version: "0.1.0"}, nil)); err != nil {
		return err
	}
	if opened.InHand != nil {
		if err := s.interrupted(w, opened.InHand); err != nil {
			return err
		}
	}
	if err := s.pull(w, opened.LastPull+1); err != nil {
		return err
	}
	if err := s.remove(w); err != nil {
		return err
	}
	return s.append(w, encode(peak.DaemonStopped{Clean: true}, nil))
}

// interrupted ends the pull that the run before left in hand.
func (s *witness) interrupted(w *Writer, p *PullInHand) error {
	var trace *publish.Trace
	rec, err := w.RecoverTrace(p.Record, func(*peak.Reading, float64) {})
	switch {
	case err == nil:
		trace = &rec.Trace
		s.cutOff(rec.Cut)
	case !errors.Is(err, ErrNoTrace):
		return err
	}
	return s.append(w, encode(peak.PullEnded{Pull: p.Pull, Verdict: peak.Void, Reasons: []peak.Reason{peak.Interrupted}}, trace))
}

func (s *witness) cutOff(c *Cut) {
	if c != nil {
		s.cuts = append(s.cuts, c)
	}
}

func (s *witness) append(w *Writer, e publish.Event) error {
	r, err := w.Append(e)
	if err != nil {
		return err
	}
	s.acked = append(s.acked, r)
	s.promised()
	return nil
}

func (s *witness) pull(w *Writer, pull int64) error {
	if err := s.append(w, encode(peak.PullStarted{Pull: pull}, nil)); err != nil {
		return err
	}
	number := s.acked[len(s.acked)-1].Number
	t, err := w.StartTrace(number, false)
	if err != nil {
		return err
	}
	s.tracing, s.added = number, nil
	s.promised()
	for _, r := range readings(25) {
		if err := t.Add(r, 0); err != nil {
			t.Close()
			return err
		}
		s.added = append(s.added, r)
		s.promised()
	}
	trace, err := t.Close()
	if err != nil {
		return err
	}
	s.tracing, s.sealed = 0, trace
	return s.append(w, encode(peak.PullEnded{Pull: pull, Verdict: peak.Pass}, &trace))
}

// remove removes the trace that was sealed last.
func (s *witness) remove(w *Writer) error {
	if err := s.append(w, encode(peak.TraceRemoved{Name: s.sealed.Name, SHA256: s.sealed.SHA256}, nil)); err != nil {
		return err
	}
	err := w.RemoveTrace(s.sealed.Name)
	s.promised()
	return err
}

// kept checks that everything promised is there: on this file system, opened
// for the first time after whatever happened.
func (s *witness) kept(fsys *memFS) error {
	w, opened, err := Open("/j", options(fsys))
	if err != nil {
		return fmt.Errorf("cannot be opened: %w", err)
	}
	defer w.Close()
	if opened.Last < uint64(len(s.acked)) {
		return fmt.Errorf("%d records, %d were acknowledged", opened.Last, len(s.acked))
	}
	if w.format != Format && slices.ContainsFunc(s.acked, func(r publish.Record) bool { return r.Type == peak.TypeTraceRemoved }) {
		return fmt.Errorf("it has removed a trace and says that it is of format %d", w.format)
	}
	for _, c := range s.cuts {
		if int64(len(fsys.bytesOf("/j/"+c.Kept))) != c.Bytes {
			return fmt.Errorf("what was cut off is not in %s", c.Kept)
		}
		// Without failing writes nothing new is torn at that place.
		if s.check != nil && opened.Cut != nil && opened.Cut.Damage == c.Damage {
			return fmt.Errorf("what was cut off came back: %v", opened.Cut)
		}
	}
	if err := s.traceKept(w); err != nil {
		return err
	}
	if _, err := w.Append(event(1, 1)); err != nil {
		return err
	}
	return s.sound(fsys, opened.Last+1)
}

// sound checks that the journal has so many records, the acknowledged ones
// first, and passes the audit.
func (s *witness) sound(fsys *memFS, n uint64) error {
	all, err := readAll(fsys)
	if err != nil {
		return err
	}
	for i, r := range s.acked {
		if !bytes.Equal(all[i].Line, r.Line) {
			return fmt.Errorf("record %d is another than the one acknowledged", r.Number)
		}
	}
	report, err := audit(fsys, "/j", 0, nil)
	if err != nil || !report.Sound() || report.Records != n {
		return fmt.Errorf("audit: %+v, %v", report, err)
	}
	return nil
}

// traceKept checks that the trace of a pull in hand has all readings but those
// of the last second.
func (s *witness) traceKept(w *Writer) error {
	if s.tracing == 0 {
		return nil
	}
	var got []peak.Reading
	if _, err := w.RecoverTrace(s.tracing, func(r *peak.Reading, _ float64) { got = append(got, *r) }); err != nil {
		return err
	}
	for i, r := range s.added {
		if r.At > s.added[len(s.added)-1].At-traceSyncEvery {
			break
		}
		r.At -= s.added[0].At
		if i >= len(got) || got[i] != r {
			return fmt.Errorf("%d readings in the trace, without that of %v", len(got), r.At)
		}
	}
	return nil
}

// operations runs the daemon once and lists what it does to files.
func operations(fsys *memFS) []string {
	var all []string
	(&witness{}).run(faultFS{fsys, func(op string) fate { all = append(all, op); return done }})
	return all
}

// atStep gives one operation, counted from 0, its fate, and all others theirs.
func atStep(step int, f fate) func(string) fate {
	n := -1
	return func(string) fate {
		if n++; n == step {
			return f
		}
		return done
	}
}

// Each operation fails once, as one that did not happen and as one that happened
// all the same; writes also fail half done. Whether the process is started
// anew or the power is cut then: nothing acknowledged is lost, the numbers stay
// single and the chain sound.
func TestEachOperationFails(t *testing.T) {
	for name, start := range starts() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for step, op := range operations(start(t)) {
				fates := []fate{refused, doneAfter}
				if strings.HasPrefix(op, "write ") {
					fates = append(fates, full, short)
				}
				for _, f := range fates {
					fsys, s := start(t), &witness{}
					if err := s.run(faultFS{fsys, atStep(step, f)}); err == nil {
						t.Fatalf("step %d %q, fate %d: no error came of it", step, op, f)
					}
					if err := s.kept(fsys.powerCut()); err != nil {
						t.Errorf("step %d %q, fate %d, power cut: %v", step, op, f, err)
					}
					if err := s.kept(fsys.kill()); err != nil {
						t.Errorf("step %d %q, fate %d, new start: %v", step, op, f, err)
					}
				}
			}
		})
	}
}

// After a failure nothing is written any more, whatever is asked.
func TestNothingIsWrittenAfterAFailure(t *testing.T) {
	for _, what := range []string{"write 0000", "sync 0000", "syncdir j", "create 0000"} {
		fsys := newMemFS()
		broken, touched := false, 0
		w, _ := open(t, options(faultFS{fsys, func(op string) fate {
			switch {
			case broken && strings.HasPrefix(op, what):
				broken = false
				return refused
			case changes(op):
				touched++
			}
			return done
		}}))
		number := uint64(1)
		if what != "create 0000" && what != "syncdir j" {
			number = add(t, w, event(1, 1)).Number
		}
		trace, err := w.StartTrace(number, false)
		if err != nil {
			t.Fatal(err)
		}
		broken = true
		_, err = w.Append(event(2, 1))
		if !errors.Is(err, ErrFailed) || !errors.Is(w.Failed(), ErrFailed) {
			t.Errorf("%s: %v, %v", what, err, w.Failed())
		}
		before := touched
		for range 3 {
			if _, err := w.Append(event(3, 1)); !errors.Is(err, ErrFailed) {
				t.Errorf("%s: append after the failure: %v", what, err)
			}
			if err := trace.Add(peak.Reading{At: time.Second}, 0); !errors.Is(err, ErrFailed) {
				t.Errorf("%s: add to the trace after the failure: %v", what, err)
			}
			if _, err := w.StartTrace(9, false); !errors.Is(err, ErrFailed) {
				t.Errorf("%s: start a trace after the failure: %v", what, err)
			}
		}
		if _, err := trace.Close(); !errors.Is(err, ErrFailed) {
			t.Errorf("%s: close the trace after the failure: %v", what, err)
		}
		w.Close()
		if touched != before {
			t.Errorf("%s: %d operations after the failure", what, touched-before)
		}
	}
}

// changes reports whether an operation changes files.
func changes(op string) bool {
	return strings.HasPrefix(op, "write") || strings.HasPrefix(op, "sync") || strings.HasPrefix(op, "create")
}

// nth is true for the operation of that number, from 1, that has the prefix and
// the suffix.
func nth(n int, prefix, suffix string) func(string) bool {
	return func(op string) bool {
		if strings.HasPrefix(op, prefix) && strings.HasSuffix(op, suffix) {
			n--
			return n == 0
		}
		return false
	}
}

// ended returns the journal that a run leaves if one operation has a fate and the
// process ends there.
func ended(t *testing.T, f fate, at func(op string) bool) *memFS {
	t.Helper()
	fsys, over := newMemFS(), false
	(&witness{}).run(faultFS{fsys, func(op string) fate {
		switch {
		case over:
			return killed
		case at(op):
			over = true
			return f
		}
		return done
	}})
	if !over {
		t.Fatal("the operation never came")
	}
	return fsys.kill()
}

// starts returns what different ends of the run before may leave. Each is made
// anew at each call.
func starts() map[string]func(*testing.T) *memFS {
	at := func(f fate, op func() func(string) bool) func(*testing.T) *memFS {
		return func(t *testing.T) *memFS { return ended(t, f, op()) }
	}
	return map[string]func(*testing.T) *memFS{
		"nothing": func(*testing.T) *memFS { return newMemFS() },
		"a clean journal": func(*testing.T) *memFS {
			fsys := newMemFS()
			(&witness{}).run(fsys)
			return fsys.kill()
		},
		"a journal of the first format": func(t *testing.T) *memFS {
			fsys := newMemFS()
			w, _ := open(t, options(fsys))
			add(t, w, event(1, 1))
			w.Close()
			if err := errors.Join(fsys.Remove("/j/"+formatName), fsys.SyncDir("/j")); err != nil {
				t.Fatal(err)
			}
			return fsys
		},
		"a folder not synced":        at(killed, func() func(string) bool { return nth(1, "syncdir /", "") }),
		"a segment not synced":       at(killed, func() func(string) bool { return nth(2, "syncdir j", "") }),
		"a torn record":              at(full, func() func(string) bool { return nth(3, "write ", segmentSuffix) }),
		"a record not synced":        at(killed, func() func(string) bool { return nth(3, "sync ", segmentSuffix) }),
		"a record's sync failed":     at(refused, func() func(string) bool { return nth(2, "sync ", segmentSuffix) }),
		"a trace not synced":         at(killed, func() func(string) bool { return nth(3, "sync ", traceSuffix) }),
		"a torn trace":               at(full, func() func(string) bool { return nth(3, "write ", traceSuffix) }),
		"a trace's sync failed":      at(refused, func() func(string) bool { return nth(3, "sync ", traceSuffix) }),
		"a trace's name not synced":  at(killed, func() func(string) bool { return nth(1, "syncdir traces", "") }),
		"a pull without a trace":     at(killed, func() func(string) bool { return nth(1, "create ", traceSuffix) }),
		"a trace without its header": at(killed, func() func(string) bool { return nth(1, "write ", traceSuffix) }),
		"half a header":              at(full, func() func(string) bool { return nth(1, "write ", traceSuffix) }),
		"a trace without a record": func(*testing.T) *memFS {
			fsys := newMemFS()
			fsys.Mkdir("/j", 0)
			fsys.Mkdir("/j/traces", 0)
			fsys.put("/j/"+traceName(2), []byte("left behind"))
			return fsys
		},
	}
}
