package search

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// ErrOrder says that records did not come in rising order.
var ErrOrder = errors.New("records must come in order")

// Index is an index of tests, pulls and inspections. One goroutine feeds it, by
// [Index.Add] or [Index.Run]; any may ask it. Each answer is as after some whole
// record.
type Index struct {
	mu    sync.RWMutex // guards all below
	last  uint64       // number of the last record taken
	tests []Test       // in the order of their records
	byJob map[string]int
	pulls map[int64]*Pull // never changed once in here, only replaced
	// started is the record that began each pull which has not ended.
	started map[int64]uint64
	waiting map[int64]struct{} // the ended pulls of no job
	words   map[string]string  // one copy of each text that comes again
	reasons map[string][]peak.Reason

	// What an index in a folder has besides; see [Open].
	dir     string
	young   int // how many tests are in memory at most; 0: all are
	shelves []*shelf
	highest int64 // no pull on the shelves has a higher number

	leftOut int
	trouble error // why the first record was left out

	from    publish.Records // what Run follows; nil before
	stopped error           // why Run has ended
	grew    chan struct{}   // closed at the next change; nil when nobody waits
}

// New returns an empty index.
func New() *Index {
	return &Index{
		byJob: map[string]int{}, pulls: map[int64]*Pull{}, started: map[int64]uint64{}, waiting: map[int64]struct{}{},
		words: map[string]string{}, reasons: map[string][]peak.Reason{},
	}
}

// Add takes a record. Its number must be above that of the one before, else the
// error is [ErrOrder]. A record whose data cannot be read is an error too, and is
// left out; the next one can be added all the same.
func (x *Index) Add(r publish.Record) error {
	data, err := read(r)
	x.mu.Lock()
	defer x.mu.Unlock()
	if r.Number <= x.last {
		return fmt.Errorf("index record %d after record %d: %w", r.Number, x.last, ErrOrder)
	}
	x.last = r.Number
	defer x.wake()
	if err != nil {
		err = fmt.Errorf("index record %d (%s): %w", r.Number, r.Type, err)
		if x.leftOut++; x.trouble == nil {
			x.trouble = err
		}
		return err
	}
	if err := x.apply(r, data); err != nil {
		x.trouble = err
		return err
	}
	return nil
}

// wake tells those who wait that something changed.
func (x *Index) wake() {
	if x.grew != nil {
		close(x.grew)
		x.grew = nil
	}
}

func (x *Index) apply(r publish.Record, data any) error {
	switch d := data.(type) {
	case testData:
		x.addTest(r, d)
		if x.young > 0 && len(x.tests) > x.young {
			return x.shelve()
		}
	case inspectionData:
		return x.addInspection(r, d)
	case pullData:
		switch r.Type {
		case peak.TypePullStarted:
			x.started[d.Pull] = r.Number
		case peak.TypePullEnded:
			x.endPull(r, d)
		case peak.TypePullAssigned:
			p := x.pull(d)
			x.pulls[d.Pull] = &p
			delete(x.waiting, d.Pull)
		}
	}
	return nil
}

func (x *Index) endPull(r publish.Record, d pullData) {
	p := x.pull(d)
	p.Record = r.Number
	if began, ok := x.started[d.Pull]; ok {
		p.Started = began
		delete(x.started, d.Pull)
	}
	x.pulls[d.Pull] = &p
	if p.Job == "" {
		x.waiting[d.Pull] = struct{}{}
	} else {
		delete(x.waiting, d.Pull)
	}
}

// pull makes the summary of a pull; where it is recorded is taken from what is
// known of it.
func (x *Index) pull(d pullData) Pull {
	p := Pull{
		Number: d.Pull, StartedAt: d.StartedAt.UTC(), Job: d.Job, Planned: d.Planned, Label: x.word(d.Label), Why: d.Why,
		Required: d.Required.maybe(), Peak: d.Peak.maybe(), Hold: time.Duration(d.Hold), Verdict: peak.Verdict(x.word(string(d.Verdict))),
		Reasons: x.list(d.Reasons),
	}
	if known := x.known(d.Pull); known != nil {
		p.Started, p.Record = known.Started, known.Record
	}
	return p
}

// known is what was recorded of a pull before; nil if nothing was.
func (x *Index) known(number int64) *Pull {
	p := x.pulls[number]
	if p != nil || number > x.highest {
		return p
	}
	p, err := shelvedPull(x.shelves, number)
	if err != nil && x.trouble == nil {
		x.trouble = err
	}
	return p
}

func (x *Index) addTest(r publish.Record, d testData) {
	t := Test{
		Record: r.Number, EndedAt: r.Time.UTC(), Job: d.Job, Item: d.Item, Description: d.Description,
		Kind: x.word(d.Kind), Owner: x.word(d.Owner), Operator: x.word(d.Operator), Rule: x.word(d.Rule), Source: x.word(d.Source),
		WLL: d.WLL.maybe(), Verdict: peak.Verdict(x.word(string(d.Verdict))), Reasons: x.list(d.Reasons), key: fold(d.Item),
	}
	if x.young > 0 {
		t.line = sumOf(r.Line)
	}
	t.strictest(d.Planned)
	t.Pulls = make([]Pull, len(d.Attempts))
	for i, a := range d.Attempts {
		t.Pulls[i] = x.pull(a)
		t.Pulls[i].Job = t.Job
		x.pulls[a.Pull] = &t.Pulls[i]
		delete(x.waiting, a.Pull)
	}
	x.byJob[t.Job] = len(x.tests)
	x.tests = append(x.tests, t)
}

// addInspection puts a finding into the summary of its test, in place of an
// earlier one.
func (x *Index) addInspection(r publish.Record, d inspectionData) error {
	found := &Inspection{Record: r.Number, At: r.Time.UTC(), Inspector: x.word(d.Inspector), Finding: x.word(d.Finding)}
	i, ok := x.byJob[d.Job]
	if !ok {
		return x.inspectShelved(d.Job, found) // or of an item that was not tested
	}
	t := &x.tests[i]
	t.Inspection = found
	t.Inspections++
	return nil
}

// word returns the one copy of a text.
func (x *Index) word(s string) string {
	if s == "" {
		return ""
	}
	if w, ok := x.words[s]; ok {
		return w
	}
	x.words[s] = s
	return s
}

// list returns the one copy of a list of reasons.
func (x *Index) list(reasons []peak.Reason) []peak.Reason {
	if len(reasons) == 0 {
		return nil
	}
	var key strings.Builder
	for _, r := range reasons {
		key.WriteString(string(r) + ",")
	}
	if l, ok := x.reasons[key.String()]; ok {
		return l
	}
	x.reasons[key.String()] = slices.Clip(reasons)
	return x.reasons[key.String()]
}

// Last is the number of the last record that was taken; 0 before the first.
func (x *Index) Last() uint64 {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return x.last
}

// Trouble says which records were left out, being such that they could not be
// read; nil when none was.
func (x *Index) Trouble() error {
	x.mu.RLock()
	defer x.mu.RUnlock()
	if x.leftOut < 2 {
		return x.trouble
	}
	return fmt.Errorf("%d records are left out, the first: %w", x.leftOut, x.trouble)
}

// Test returns the test that a job ended with.
func (x *Index) Test(job string) (Test, bool) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	if i, ok := x.byJob[job]; ok {
		return x.tests[i], true
	}
	t, _, err := shelvedTest(x.shelves, job)
	if err != nil || t == nil {
		return Test{}, false
	}
	return *t, true
}

// Pull returns an ended pull: as it was assigned to a job, if it was.
func (x *Index) Pull(number int64) (Pull, bool) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	if p, ok := x.pulls[number]; ok {
		return *p, true
	}
	p, err := shelvedPull(x.shelves, number)
	if err != nil || p == nil {
		return Pull{}, false
	}
	return *p, true
}

// Unassigned returns the ended pulls that no job has and that are in memory, newest
// first.
func (x *Index) Unassigned() []Pull {
	x.mu.RLock()
	defer x.mu.RUnlock()
	out := make([]Pull, 0, len(x.waiting))
	for number := range x.waiting {
		out = append(out, *x.pulls[number])
	}
	slices.SortFunc(out, func(a, b Pull) int { return cmp.Compare(b.Record, a.Record) })
	return out
}
