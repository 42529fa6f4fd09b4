package page

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"sync"

	"thimbled/peak"
	"thimbled/publish"
)

const (
	mostShown = 50
	// lookBack is how many of the last records are read at the start. The last
	// pulls are in far fewer, unless next to nothing but zeros was recorded.
	lookBack = 5000
	// mostJobs bounds how many jobs are remembered for the names of their items.
	mostJobs = 200
)

// history is the last pulls, tests, weighings, verifications and changes of parameters,
// as the journal has them.
type history struct {
	run     string   // names this run of the daemon, so that no two versions are alike
	earlier []uint64 // records that are read wherever they lie, in order

	mu        sync.Mutex
	last      uint64 // record that changed it last
	pulls     []pullEntry
	tests     []testEntry
	weighings []entry
	verified  []entry
	changes   []entry
	items     map[string]string // by job
	jobs      []string          // of items, oldest first
	encoded   []byte            // nil when it has changed since
}

// entry is a record that people see.
type entry struct {
	Record uint64          `json:"record"`
	Time   string          `json:"time"`
	Data   json.RawMessage `json:"data"`
}

// pullEntry is a pull as judged last: when it ended, or when it was assigned.
type pullEntry struct {
	entry
	Item      string `json:"item"`
	Assigned  bool   `json:"assigned"`
	Corrected *entry `json:"corrected"` // its correction; null if there is none
	Risk      risk   `json:"false_acceptance"`
	number    int64
	curve     curveSource
}

// testEntry is a test and the inspections of its item, the last one last.
type testEntry struct {
	entry
	Inspections []entry `json:"inspections"`
	job         string
}

// curveSource says where the curve of a pull is.
type curveSource struct {
	name, digest string     // of the trace; empty if there is none
	offset       peak.Force // zero and tare
}

// told is what of an event's data the history needs to know.
type told struct {
	Pull  int64          `json:"pull"`
	Job   string         `json:"job"`
	Item  string         `json:"item"`
	Zero  json.Number    `json:"zero_newtons"`
	Tare  json.Number    `json:"tare_newtons"`
	Trace *publish.Trace `json:"trace"`
}

func newHistory(run string, earlier []uint64) *history {
	return &history{run: run, earlier: slices.Sorted(slices.Values(earlier)), items: map[string]string{}}
}

// follow reads the last records and then each new one until ctx ends.
func (h *history) follow(ctx context.Context, records publish.Records) error {
	after := uint64(0)
	if last := records.Last(); last > lookBack {
		after = last - lookBack
	}
	for _, number := range h.earlier {
		if number > after {
			break
		}
		r, err := records.Next(ctx, number-1)
		if err != nil {
			return err
		}
		h.take(r)
	}
	for {
		r, err := records.Next(ctx, after)
		if err != nil {
			return err
		}
		h.take(r)
		after = r.Number
	}
}

// take notes a record if people see it here.
func (h *history) take(r publish.Record) {
	switch r.Type {
	case peak.TypeJobOpened, peak.TypePullEnded, peak.TypePullAssigned, peak.TypePullCorrected, peak.TypeTestEnded, peak.TypeItemInspected,
		peak.TypeItemWeighed, peak.TypeForceVerified, peak.TypeParametersChanged:
	default:
		return
	}
	var t told
	if json.Unmarshal(r.Data, &t) != nil {
		return // of a later version, whose own page shows it
	}
	e := entry{Record: r.Number, Time: publish.Stamp(r.Time), Data: r.Data}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.last, h.encoded = r.Number, nil
	switch r.Type {
	case peak.TypeJobOpened:
		h.remember(t)
	case peak.TypePullEnded, peak.TypePullAssigned:
		h.takePull(e, t, r)
	case peak.TypeTestEnded:
		h.remember(t)
		h.tests = newest(append(h.tests, testEntry{entry: e, Inspections: []entry{}, job: t.Job}))
	case peak.TypeItemInspected:
		h.takeInspection(e, t)
	case peak.TypeItemWeighed:
		h.weighings = newest(append(h.weighings, e))
	case peak.TypePullCorrected:
		h.takeCorrection(e, t, r)
	case peak.TypeForceVerified:
		h.verified = newest(append(h.verified, e))
	case peak.TypeParametersChanged:
		h.changes = newest(append(h.changes, e))
	}
}

// remember notes the name of a job's item.
func (h *history) remember(t told) {
	if _, known := h.items[t.Job]; known {
		return
	}
	h.items[t.Job] = t.Item
	h.jobs = append(h.jobs, t.Job)
	if len(h.jobs) > mostJobs {
		delete(h.items, h.jobs[0])
		h.jobs = h.jobs[1:]
	}
}

// takePull adds a pull, or puts its later judgement in its place.
func (h *history) takePull(e entry, t told, r publish.Record) {
	p := pullEntry{entry: e, Item: h.items[t.Job], Assigned: r.Type == peak.TypePullAssigned, Risk: riskOf(r), number: t.Pull}
	if t.Trace != nil {
		p.curve = curveSource{name: t.Trace.Name, digest: t.Trace.SHA256, offset: newtons(t.Zero) + newtons(t.Tare)}
	}
	for i, old := range h.pulls {
		if old.number != t.Pull {
			continue
		}
		if p.curve.name == "" {
			p.curve = old.curve
		}
		h.pulls[i] = p
		return
	}
	h.pulls = newest(append(h.pulls, p))
}

func (h *history) takeCorrection(e entry, t told, r publish.Record) {
	for i := range h.pulls {
		if h.pulls[i].number == t.Pull {
			h.pulls[i].Corrected, h.pulls[i].Risk = &e, riskOf(r)
		}
	}
}

func newtons(n json.Number) peak.Force {
	f, err := peak.ParseForce(n.String() + " N")
	if err != nil {
		return 0 // no offset was recorded
	}
	return f
}

func (h *history) takeInspection(e entry, t told) {
	for i := len(h.tests) - 1; i >= 0; i-- {
		if h.tests[i].job == t.Job {
			h.tests[i].Inspections = newest(append(h.tests[i].Inspections, e))
			return
		}
	}
}

// newest drops what is too old to be shown.
func newest[T any](all []T) []T { return all[max(0, len(all)-mostShown):] }

// version changes with the content.
func (h *history) version() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.run + "-" + strconv.FormatUint(h.last, 10)
}

// curveOf says where the curve of a pull is.
func (h *history) curveOf(pull int64) (curveSource, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, p := range h.pulls {
		if p.number == pull && p.curve.name != "" {
			return p.curve, true
		}
	}
	return curveSource{}, false
}

// encode returns everything, oldest first, and its version.
func (h *history) encode() (body []byte, version string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.encoded == nil {
		h.encoded = mustMarshal(struct {
			Pulls     []pullEntry `json:"pulls"`
			Tests     []testEntry `json:"tests"`
			Weighings []entry     `json:"weighings"`
			Verified  []entry     `json:"verifications"`
			Changes   []entry     `json:"changes"`
		}{orEmpty(h.pulls), orEmpty(h.tests), orEmpty(h.weighings), orEmpty(h.verified), orEmpty(h.changes)})
	}
	return h.encoded, h.run + "-" + strconv.FormatUint(h.last, 10)
}

func orEmpty[T any](all []T) []T {
	if all == nil {
		return []T{}
	}
	return all
}

// servePulls answers with the last of everything.
func (p *Page) servePulls(w http.ResponseWriter, r *http.Request) {
	body, version := p.history.encode()
	send(w, r, body, "application/json", `"`+version+`"`)
}
