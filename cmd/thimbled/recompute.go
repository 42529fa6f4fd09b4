package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// recomputing judges every pull of a journal again from its trace, while an audit shows
// the records in order, and compares what is recorded with what it comes to. It keeps some
// hundred bytes a pull.
type recomputing struct {
	dir     string
	config  *config.Config // nil: only what is on record counts
	rescale *rescaling     // what each pull would come to with this scale; nil: is not asked

	past   past
	inHand *madePull
	pulls  map[int64]*madePull
	test   openTest

	work    chan func()
	workers sync.WaitGroup

	mu    sync.Mutex // guards found
	found recomputed
}

// entry is a record where a recomputing met it.
type entry struct {
	publish.Record
	segment string
}

// at is when it happened, since the Unix epoch.
func (e *entry) at() time.Duration { return e.Time.Sub(sinceEpoch.Epoch) }

// madePull is a pull as far as it is on record.
type madePull struct {
	evidence
	start, reached *entry
	sealed         publish.Trace
	stands         *outcome // what it came to at its last correction; nil if it had none
	why            string   // it cannot be judged again; empty if it can
}

// outcome is what a pull came to, once that is known.
type outcome struct {
	done  chan struct{}
	ended peak.PullEnded
}

func (o *outcome) set(e peak.PullEnded) {
	o.ended = e
	close(o.done)
}

func newRecomputing(dir string, c *config.Config, rescale *rescaling) *recomputing {
	r := &recomputing{
		dir: dir, config: c, rescale: rescale, pulls: map[int64]*madePull{}, work: make(chan func()),
		found: recomputed{unable: map[string]int{}, unstated: map[string]int{}},
	}
	for range runtime.GOMAXPROCS(0) {
		r.workers.Go(func() {
			for do := range r.work {
				do()
			}
		})
	}
	return r
}

// beside returns what takes each record for both; a nil recomputing wants none.
func (r *recomputing) beside(see func(string, publish.Record)) func(string, publish.Record) {
	if r == nil {
		return see
	}
	return func(segment string, rec publish.Record) {
		see(segment, rec)
		r.record(segment, rec)
	}
}

// end waits until all is judged and returns what was found.
func (r *recomputing) end() *recomputed {
	if r == nil {
		return nil
	}
	close(r.work)
	r.workers.Wait()
	r.found.sort()
	return &r.found
}

// record takes the next record.
func (r *recomputing) record(segment string, rec publish.Record) {
	e := &entry{Record: rec, segment: segment}
	if err := r.follow(e); err != nil {
		r.problem(e, fmt.Sprintf("cannot be judged again: %v", err))
	}
}

func (r *recomputing) follow(e *entry) error {
	if err := r.past.follow(e.Record); err != nil {
		return err
	}
	if e.Type == peak.TypeHoldReached && r.inHand != nil {
		r.inHand.reached = e
		return nil
	}
	if err := r.test.followClock(e); err != nil {
		return err
	}
	traces := publish.Traces{}
	decoded, err := publish.Decode(e.Event, sinceEpoch, traces)
	if errors.Is(err, publish.ErrNotDecoded) {
		return nil
	}
	if err != nil {
		return err
	}
	switch x := decoded.(type) {
	case peak.PullStarted:
		r.started(e, x)
	case peak.PullEnded:
		r.ended(e, x, traces)
	case peak.PullAssigned:
		r.assigned(e, x, traces)
	case peak.PullCorrected:
		r.corrected(e, x, traces)
	case peak.TestEnded:
		r.testEnded(e, x, traces)
	default:
		r.test.follow(decoded)
	}
	return nil
}

func (r *recomputing) started(e *entry, x peak.PullStarted) {
	m := &madePull{start: e}
	m.evidence.started = x
	if r.past.flat { // what came before the trace is not in it
		m.doubts = []peak.Reason{peak.ReadingNotTrusted}
	}
	r.inHand = m
}

func (r *recomputing) ended(e *entry, x peak.PullEnded, traces publish.Traces) {
	r.found.there++
	m := r.inHand
	r.inHand = nil
	if m == nil || m.evidence.started.Pull != x.Pull {
		m = &madePull{why: "its start is not on record"}
	}
	r.pulls[x.Pull] = m
	m.finish(x)
	trace, traced := traces[x.Pull]
	m.sealed, m.trace = trace, filepath.Join(r.dir, filepath.FromSlash(trace.Name))
	var err error
	switch m.judgedBy, err = r.past.judging(r.config); {
	case m.why != "":
	case !traced && !slices.Contains(x.Reasons, peak.Interrupted):
		m.why = "it has no trace"
	case !traced:
		m.trace = ""
	case traced && trace.Name != fmt.Sprintf("traces/%012d.csv", m.start.Number):
		m.why = "it names a trace that is not its own"
	case err != nil:
		m.why = err.Error()
	}
	result := &outcome{done: make(chan struct{})}
	r.test.count(x, x.Job, result)
	if m.why != "" {
		r.unable(m.why)
		result.set(x)
		return
	}
	checked := *m
	m.start, m.reached = nil, nil
	r.work <- func() { r.checkEnded(e, x, &checked, traces, result) }
}

// finish takes what only the end of a pull says about it. Its times in the journal follow
// the clock, which may have been set during the pull.
func (m *madePull) finish(x peak.PullEnded) {
	m.at = m.evidence.started.StartedAt
	if slices.Contains(x.Reasons, peak.ClockStep) {
		m.at = x.StartedAt
	}
	m.doubts = append(m.doubts, outside(x.Reasons)...)
}

func (r *recomputing) checkEnded(e *entry, x peak.PullEnded, m *madePull, traces publish.Traces, result *outcome) {
	j, err := m.judge()
	if err != nil {
		r.unable("its trace cannot be read")
		result.set(x)
		return
	}
	result.set(j.ended)
	r.judgedAgain(j.rows)
	r.compare(m.start, x.Pull, j.started, nil)
	r.checkReached(e, m, j)
	r.compare(e, x.Pull, j.ended, traces)
	if r.rescale != nil {
		r.wouldBe(e, x, m)
	}
}

// checkReached compares the moment at which the hold was reached. What a pull comes to
// that a crash interrupted was found later.
func (r *recomputing) checkReached(e *entry, m *madePull, j rejudged) {
	switch {
	case m.reached != nil && j.reached.Known:
		var skip []string
		if m.at != m.evidence.started.StartedAt {
			skip = []string{"reached_at"}
		}
		r.compare(m.reached, j.ended.Pull, j.reached.Value, nil, skip...)
	case m.reached != nil:
		r.problem(m.reached, fmt.Sprintf("pull %d: its trace does not show that the hold was reached", j.ended.Pull))
	case j.reached.Known && !slices.Contains(j.ended.Reasons, peak.Interrupted):
		r.problem(e, fmt.Sprintf("pull %d: the record that its hold was reached is missing", j.ended.Pull))
	}
}

// assigned checks a pull that was counted for a job later: judged by what it was judged
// by at first, with the requirement of the job.
func (r *recomputing) assigned(e *entry, x peak.PullAssigned, traces publish.Traces) {
	r.ownTraces(e, traces)
	result := &outcome{done: make(chan struct{})}
	need, known := r.test.planned(x.Planned)
	r.test.count(x, x.Ended.Job, result)
	m := r.pulls[x.Ended.Pull]
	if m == nil || m.why != "" || !known {
		r.unable("what was assigned is not on record")
		result.set(x.Ended)
		return
	}
	m.assign(need, x.Ended.Job)
	v := m.evidence
	r.work <- func() {
		j, err := v.judge()
		if err != nil {
			r.unable("its trace cannot be read")
			result.set(x.Ended)
			return
		}
		result.set(j.ended)
		r.compare(e, x.Ended.Pull, peak.PullAssigned{At: e.at(), Planned: x.Planned, Label: need.Label, Ended: j.ended, By: x.By}, traces)
	}
}

// ownTraces checks that a record names the traces that its pulls ended with.
func (r *recomputing) ownTraces(e *entry, traces publish.Traces) {
	for pull, t := range traces {
		if m := r.pulls[pull]; m != nil && m.sealed != t {
			r.problem(e, fmt.Sprintf("pull %d: names a trace that is not that of its end", pull))
		}
	}
}

// assign makes a pull that of a job.
func (v *evidence) assign(p peak.Planned, job string) {
	v.started.Requirement, v.started.Job, v.started.Label = peak.Known(p.Requirement), job, p.Label
}

// compare compares a record with the event that it should hold.
func (r *recomputing) compare(e *entry, pull int64, again peak.Event, traces publish.Traces, skip ...string) {
	c := comparison{skip: skip}
	if err := c.compare(e.Data, publish.Encode(again, sinceEpoch, traces).Data); err != nil {
		r.problem(e, "cannot be read: "+err.Error())
		return
	}
	for _, d := range c.differences {
		reason := d.String()
		if pull > 0 {
			reason = fmt.Sprintf("pull %d: %v", pull, d)
		}
		r.problem(e, reason)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, name := range c.unstated {
		r.found.unstated[name]++
	}
}

func (r *recomputing) problem(e *entry, reason string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.found.differ++
	if len(r.found.problems) < journal.MaxProblems {
		r.found.problems = append(r.found.problems, journal.Damage{File: e.segment, Record: e.Number, Reason: reason})
	}
}

func (r *recomputing) unable(why string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.found.unable[why]++
}

func (r *recomputing) judgedAgain(rows int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.found.pulls++
	r.found.rows += rows
}
