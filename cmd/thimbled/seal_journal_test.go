package main

import (
	"fmt"
	"math"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

// sealedStory writes a sealed journal by the real writer and the real sealer.
type sealedStory struct {
	t       testing.TB
	at      time.Duration
	clock   publish.Clock
	journal *journal.Writer
	sealer  *sealer
	traces  publish.Traces
}

// WriteSealedJournal makes a key and writes a journal of two tests, j-1 and j-2,
// that is sealed with it as a daemon does: after its start, each test, an inspection and
// at its end.
func WriteSealedJournal(t testing.TB, dir, key string, thinned bool) {
	if err := seal.MakeKey(key, "dock-3"); err != nil {
		t.Fatal(err)
	}
	k, err := seal.ReadKey(key)
	if err != nil {
		t.Fatal(err)
	}
	s := &sealedStory{
		t: t, clock: publish.Clock{Epoch: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}, traces: publish.Traces{},
		sealer: &sealer{key: k, origin: "thimbled/bench/dock-3"},
	}
	var opened journal.Opened
	s.journal, opened, err = journal.Open(dir, journal.Options{
		Bench: "dock-3", SegmentBytes: 6000, Tally: newEdge, Now: func() time.Time { return s.clock.Wall(s.at) },
	})
	if err != nil {
		t.Fatal(err)
	}
	s.sealer.goOn(opened)
	s.add(peak.DaemonStarted{Version: "0.1.0", ConfigDigest: "ab12", CleanBefore: true})
	s.seal(sealStarted)
	s.test(1, "HL-0042", 103*peak.Kilonewton)
	s.add(peak.ItemInspected{At: s.at, Job: "j-1", Item: "HL-0042", Inspector: "B. Ek", Accepted: true, Examined: "wires, eyes", By: "B. Ek"})
	s.seal(sealInspected)
	s.test(2, "HL-0043", 104*peak.Kilonewton)
	if thinned {
		s.removeTrace(1)
	}
	s.add(peak.DaemonStopped{At: s.at, Clean: true, Why: "asked to stop"})
	s.seal(sealStopped)
	if err := s.journal.Close(); err != nil {
		t.Fatal(err)
	}
}

func (s *sealedStory) add(e peak.Event) uint64 {
	s.at += time.Second
	r, err := s.journal.Append(publish.Encode(e, s.clock, s.traces))
	if err != nil {
		s.t.Fatal(err)
	}
	return r.Number
}

func (s *sealedStory) seal(why string) {
	e, err := s.sealer.event(s.at, why)
	if err != nil {
		s.t.Fatal(err)
	}
	s.add(e)
}

// removeTrace removes a pull's trace as one that is too old.
func (s *sealedStory) removeTrace(pull int64) {
	trace := s.traces[pull]
	s.add(peak.TraceRemoved{At: s.at, Pull: pull, Name: trace.Name, SHA256: trace.SHA256, Why: "kept for 1 calendar months"})
	if err := s.journal.RemoveTrace(trace.Name); err != nil {
		s.t.Fatal(err)
	}
}

// test makes a job of one pull to a force and ends it.
func (s *sealedStory) test(number int64, item string, top peak.Force) {
	demand := peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton), Hold: 2 * time.Second}
	job := peak.Job{
		ID: fmt.Sprintf("j-%d", number), Item: item, Kind: "shackle", Operator: "Anna Ö.", Source: "twice the WLL",
		Planned: []peak.Planned{{Label: "whole item", Requirement: demand}},
	}
	s.add(peak.JobOpened{At: s.at, Job: job, By: "Anna Ö."})
	began := s.at
	record := s.add(peak.PullStarted{Pull: number, StartedAt: began, Requirement: peak.Known(demand), Job: job.ID, Label: "whole item"})
	s.traces[number] = s.trace(record, began, top)
	ended := peak.PullEnded{
		Pull: number, StartedAt: began, EndedAt: peak.Known(began + 4*time.Second), DecidedAt: began + 4*time.Second, Peak: peak.Known(top),
		PeakAt: began + time.Second, Highest: top, Requirement: peak.Known(demand),
		Hold:    peak.Hold{For: 2 * time.Second, From: peak.Known(began + time.Second), To: peak.Known(began + 3*time.Second)},
		Verdict: peak.Pass, Job: job.ID, Label: "whole item",
	}
	s.add(ended)
	s.add(peak.TestEnded{At: s.at, Job: job, Verdict: peak.Pass, Attempts: []peak.Attempt{{Ended: ended}}})
	s.seal(sealTestEnded)
}

// trace writes the readings of a pull: up in a second, held for two, down in one.
func (s *sealedStory) trace(record uint64, began time.Duration, top peak.Force) publish.Trace {
	w, err := s.journal.StartTrace(record, false)
	if err != nil {
		s.t.Fatal(err)
	}
	for i := range 41 {
		part := min(i, 10, 40-i)
		if err := w.Add(peak.Reading{At: began + time.Duration(i)*100*time.Millisecond, Force: top / 10 * peak.Force(part)}, math.NaN()); err != nil {
			s.t.Fatal(err)
		}
	}
	trace, err := w.Close()
	if err != nil {
		s.t.Fatal(err)
	}
	return trace
}
