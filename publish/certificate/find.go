package certificate

import (
	"cmp"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// NotFoundError says that a journal has no such test.
type NotFoundError struct {
	Test string
	// Open says that there is such a job, and that its test has not ended.
	Open bool
	// Tests are the last tests of the journal, no more than 20, and Omitted
	// is how many there are before them.
	Tests   []Ended
	Omitted int
}

// Ended is a test that a certificate can be made of.
type Ended struct {
	Record  uint64       `json:"-"`
	At      time.Time    `json:"-"`
	Job     string       `json:"job"`
	Item    string       `json:"item"`
	Verdict peak.Verdict `json:"verdict"`
}

const mostListed = 20

// Error lists the tests, each on a line of its own.
func (e *NotFoundError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "there is no test %q", e.Test)
	if e.Open {
		b.WriteString(": the test of that job has not ended")
	}
	if len(e.Tests) == 0 {
		b.WriteString("; the journal has none")
		return b.String()
	}
	b.WriteString("; name one by its job or by its record")
	if e.Omitted > 0 {
		fmt.Fprintf(&b, " (the last of %d)", e.Omitted+len(e.Tests))
	}
	for _, t := range e.Tests {
		fmt.Fprintf(&b, "\n  record %d  job %s  item %s  %s  %s", t.Record, plain(t.Job), plain(t.Item), t.Verdict, dateTime(t.At))
	}
	return b.String()
}

// Find collects from the records of a journal, which come from the first to
// the last, what belongs to one test: named by its job's id, else by the
// number of the record that ended it. Of several tests of one job it is the
// last. Errors are those of the records, and a *NotFoundError.
func Find(records iter.Seq2[publish.Record, error], test string) (*Evidence, error) {
	s := search{test: test, pulls: map[int64][]Reference{}, verified: map[int64][]Verified{}, removed: map[int64]Reference{}}
	s.number, _ = strconv.ParseUint(test, 10, 64)
	for r, err := range records {
		if err == nil {
			err = s.take(r)
		}
		if err != nil {
			return nil, err
		}
	}
	if s.found == nil {
		return nil, &NotFoundError{Test: test, Open: s.job == test && test != "", Tests: s.ended, Omitted: s.omitted}
	}
	return s.found, nil
}

// search goes once through a journal.
type search struct {
	test   string
	number uint64 // what test is as the number of a record; 0 if it is none

	runs     []Run
	now      standing
	pulls    map[int64][]Reference // the records of each pull
	verified map[int64][]Verified  // that were on record when each pull began
	removed  map[int64]Reference   // the removals of traces, by the pull
	job      string                // the job opened last
	jobs     []Reference           // its records
	ended    []Ended
	omitted  int

	found  *Evidence
	byJob  bool // found by the job's id, not by the record's number
	closed bool // a later test of the same job has ended
}

func (s *search) take(r publish.Record) error {
	var err error
	switch r.Type {
	case peak.TypeDaemonStarted:
		err = s.daemonStarted(r)
	case peak.TypeJobOpened:
		s.jobs = nil
		s.job, err = jobOf(r)
		s.jobs = append(s.jobs, referenceTo(r))
	case peak.TypeJobCancelled:
		s.job, s.jobs = "", nil
	case peak.TypePullRepeated, peak.TypePullAssigned:
		s.jobs = append(s.jobs, referenceTo(r))
	case peak.TypePullStarted, peak.TypePullEnded:
		err = s.pull(r)
	case peak.TypeTestEnded:
		err = s.testEnded(r)
	case peak.TypeItemInspected:
		err = s.inspected(r)
	case peak.TypeForceVerified, peak.TypeParametersChanged, peak.TypePullCorrected:
		if err = s.now.follow(r); err == nil && r.Type == peak.TypePullCorrected {
			err = s.corrected(r)
		}
	case peak.TypeTraceRemoved:
		err = s.traceRemoved(r)
	case peak.TypeJournalSealed:
		err = s.sealed(r)
	}
	if err != nil {
		return fmt.Errorf("record %d: %w", r.Number, err)
	}
	return nil
}

func (s *search) daemonStarted(r publish.Record) error {
	run, err := runOf(r)
	s.runs = append(s.runs, run)
	return err
}

func runOf(r publish.Record) (Run, error) {
	var data struct {
		Version      string `json:"version"`
		ConfigDigest string `json:"config_digest"`
	}
	err := json.Unmarshal(r.Data, &data)
	return Run{data.Version, data.ConfigDigest, referenceTo(r)}, err
}

func (s *search) pull(r publish.Record) error {
	var data struct {
		Pull int64 `json:"pull"`
	}
	err := json.Unmarshal(r.Data, &data)
	s.pulls[data.Pull] = append(s.pulls[data.Pull], referenceTo(r))
	if r.Type == peak.TypePullStarted && len(s.now.verified) > 0 {
		s.verified[data.Pull] = s.now.verified
	}
	return err
}

func (s *search) testEnded(r publish.Record) error {
	e := Ended{Record: r.Number, At: r.Time}
	if err := json.Unmarshal(r.Data, &e); err != nil {
		return err
	}
	if len(s.ended) == mostListed {
		s.ended = slices.Delete(s.ended, 0, 1)
		s.omitted++
	}
	s.ended = append(s.ended, e)
	jobs := s.jobs
	if s.job != e.Job {
		jobs = nil
	}
	s.job, s.jobs = "", nil
	byJob := e.Job == s.test
	switch {
	case byJob, r.Number == s.number && !s.byJob:
		s.byJob, s.closed = byJob, false
		return s.collect(r, jobs)
	case s.found != nil && s.found.Test.Job.ID == e.Job:
		s.closed = true
	}
	return nil
}

func (s *search) traceRemoved(r publish.Record) error {
	var data struct {
		Pull int64 `json:"pull"`
	}
	err := json.Unmarshal(r.Data, &data)
	s.removed[data.Pull] = referenceTo(r)
	return err
}

// collect makes the evidence of what was seen up to the end of the test.
func (s *search) collect(r publish.Record, jobs []Reference) error {
	e := &Evidence{
		Bench: benchOf(r), Record: referenceTo(r), Clock: publish.Clock{Epoch: r.Time}, Traces: publish.Traces{},
		Verified: map[int64][]Verified{}, Removed: s.removed,
	}
	event, err := publish.Decode(r.Event, e.Clock, e.Traces)
	if err != nil {
		return err
	}
	e.Test = event.(peak.TestEnded)
	if e.Budgeted, err = budgeted(r); err != nil {
		return err
	}
	e.Records = append(slices.Clone(jobs), e.Record)
	for _, a := range e.Test.Attempts {
		if a.Planned < 0 || a.Planned >= len(e.Test.Job.Planned) {
			return fmt.Errorf("pull %d is planned pull %d of %d", a.Ended.Pull, a.Planned+1, len(e.Test.Job.Planned))
		}
		e.Records = append(e.Records, s.pulls[a.Ended.Pull]...)
		e.Verified[a.Ended.Pull] = s.verified[a.Ended.Pull]
	}
	first := slices.MinFunc(e.Records, byNumber).Number
	e.Runs = runsOf(s.runs, first)
	for _, run := range e.Runs {
		e.Records = append(e.Records, run.Reference)
	}
	slices.SortFunc(e.Records, byNumber)
	s.found = e
	return s.now.tell(e, first)
}

// budgeted says whether the attempts tell of held forces.
func budgeted(r publish.Record) (bool, error) {
	var data struct {
		Attempts []map[string]json.RawMessage `json:"attempts"`
	}
	if err := json.Unmarshal(r.Data, &data); err != nil {
		return false, err
	}
	for _, a := range data.Attempts {
		if _, told := a["held_newtons"]; told {
			return true, nil
		}
	}
	return false, nil
}

func byNumber(a, b Reference) int { return cmp.Compare(a.Number, b.Number) }

// runsOf returns the runs from the one that the first record was made in.
func runsOf(runs []Run, first uint64) []Run {
	from := 0
	for i, r := range runs {
		if r.Reference.Number < first {
			from = i
		}
	}
	return slices.Clone(runs[from:])
}

func (s *search) inspected(r publish.Record) error {
	if s.found == nil || s.closed {
		return nil
	}
	job, err := jobOf(r)
	if err != nil || job != s.found.Test.Job.ID {
		return err
	}
	event, err := publish.Decode(r.Event, publish.Clock{Epoch: r.Time}, publish.Traces{})
	if err != nil {
		return err
	}
	i := Inspection{event.(peak.ItemInspected), referenceTo(r)}
	s.found.Inspections = append(s.found.Inspections, i)
	s.found.refer(i.Reference)
	return nil
}

// jobOf returns the id of the job that an event belongs to.
func jobOf(r publish.Record) (string, error) {
	var data struct {
		Job string `json:"job"`
	}
	err := json.Unmarshal(r.Data, &data)
	return data.Job, err
}
