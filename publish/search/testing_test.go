package search_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/search"
)

// opened is when the loft of these tests opened.
var opened = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

// clerk numbers events as a journal does.
type clerk struct{ last uint64 }

func (c *clerk) write(e peak.Event) publish.Record {
	return c.record(publish.Encode(e, publish.Clock{Epoch: opened}, nil))
}

func (c *clerk) record(e publish.Event) publish.Record {
	c.last++
	return publish.Record{
		Event: e, Number: c.last, ID: publish.ID("dock-3", c.last), Source: publish.Source("dock-3"),
		Line: publish.AppendEnvelope(nil, "dock-3", c.last, e),
	}
}

// records writes events down.
func records(events ...peak.Event) []publish.Record {
	var c clerk
	var out []publish.Record
	for _, e := range events {
		out = append(out, c.write(e))
	}
	return out
}

// indexOf feeds records that must all be good.
func indexOf(t testing.TB, all ...publish.Record) *search.Index {
	t.Helper()
	x := search.New()
	for _, r := range all {
		if err := x.Add(r); err != nil {
			t.Fatal(err)
		}
	}
	return x
}

// demand is 100 kN to 112 kN for 3 s.
var demand = peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton), Hold: 3 * time.Second}

// jobOf is a job with one planned pull.
func jobOf(id, item string) peak.Job {
	return peak.Job{
		ID: id, Item: item, Description: "wire rope sling, 2 m", Kind: "wire rope sling", WLL: peak.Known(50 * peak.Kilonewton),
		Owner: "harbour loft", Operator: "A. Lind", Rule: "loft-2", Source: "twice the WLL",
		Planned: []peak.Planned{{Label: "whole item", Requirement: demand}},
	}
}

// pullOf is a pull for a job, or for none.
func pullOf(number int64, at time.Duration, job string, v peak.Verdict, reasons ...peak.Reason) peak.PullEnded {
	p := peak.PullEnded{
		Pull: number, StartedAt: at, EndedAt: peak.Known(at + 9*time.Second), DecidedAt: at + 10*time.Second,
		Peak: peak.Known(102_649_682 + peak.Force(number)), PeakAt: at + 4*time.Second, Highest: 102_700_000 + peak.Force(number),
		Hold: peak.Hold{
			For: 3_600_000_007 + time.Duration(number), From: peak.Known(at + 2*time.Second), To: peak.Known(at + 6*time.Second),
		},
		ZeroBefore: peak.Known[peak.Force](-12), ZeroAfter: peak.Known[peak.Force](-9), Verdict: v, Reasons: reasons, Job: job,
	}
	if job != "" {
		p.Requirement, p.Label = peak.Known(demand), "whole item"
	}
	return p
}

func startOf(p peak.PullEnded) peak.PullStarted {
	return peak.PullStarted{
		Pull: p.Pull, StartedAt: p.StartedAt, ZeroBefore: p.ZeroBefore, Requirement: p.Requirement, Job: p.Job, Label: p.Label,
	}
}

// testOf is the whole of a test with one pull: its job, its pull and its end.
func testOf(j peak.Job, pull int64, at time.Duration, v peak.Verdict, reasons ...peak.Reason) []peak.Event {
	p := pullOf(pull, at, j.ID, v, reasons...)
	return []peak.Event{
		peak.JobOpened{At: at - time.Second, Job: j, By: j.Operator}, startOf(p), p,
		peak.TestEnded{At: p.DecidedAt, Job: j, Verdict: v, Reasons: reasons, Attempts: []peak.Attempt{{Ended: p}}},
	}
}

func inspectionOf(j peak.Job, at time.Duration, by string, accepted bool) peak.ItemInspected {
	return peak.ItemInspected{
		At: at, Job: j.ID, Item: j.Item, Inspector: by, Accepted: accepted, Examined: "eyes and splices", Notes: "sound", By: j.Operator,
	}
}

// shelf is a journal as its readers see it, that grows and can be closed.
type shelf struct {
	mu      sync.Mutex
	records []publish.Record
	grew    chan struct{}
	closed  error
}

var errClosed = errors.New("closed")

func newShelf(all ...publish.Record) *shelf { return &shelf{records: all, grew: make(chan struct{})} }

func (s *shelf) Last() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return uint64(len(s.records))
}

func (s *shelf) Next(ctx context.Context, after uint64) (publish.Record, error) {
	for {
		s.mu.Lock()
		all, grew, closed := s.records, s.grew, s.closed
		s.mu.Unlock()
		switch {
		case after < uint64(len(all)):
			return all[after], nil
		case closed != nil:
			return publish.Record{}, closed
		}
		select {
		case <-ctx.Done():
			return publish.Record{}, ctx.Err()
		case <-grew:
		}
	}
}

// put puts records on the shelf.
func (s *shelf) put(all ...publish.Record) {
	s.change(func() { s.records = append(s.records, all...) })
}

// close ends the shelf behind its last record.
func (s *shelf) close() { s.change(func() { s.closed = errClosed }) }

func (s *shelf) change(how func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	how()
	close(s.grew)
	s.grew = make(chan struct{})
}

var _ publish.Records = (*shelf)(nil)
