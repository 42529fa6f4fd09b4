package search_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/search"
)

func TestSummaryOfATest(t *testing.T) {
	j := jobOf("j-1", "HL-0001")
	x := indexOf(t, records(testOf(j, 1, time.Hour, peak.Pass)...)...)
	got, ok := x.Test("j-1")
	if !ok {
		t.Fatal("the test is not there")
	}
	text, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	// Worked out by hand from what the records were made of.
	want := `{"record":4,"ended_at":"2026-03-02T08:00:10.000000000Z","job":"j-1","item":"HL-0001","description":"wire rope sling, 2 m",` +
		`"kind":"wire rope sling","wll_newtons":50000,"owner":"harbour loft","operator":"A. Lind","rule":"loft-2",` +
		`"requirement_source":"twice the WLL","planned_pulls":1,"required_newtons":100000,"limit_newtons":112000,` +
		`"required_hold_seconds":3,"verdict":"pass","reasons":[],"pulls":[{"pull":1,"started_record":2,"record":3,` +
		`"started_at":"2026-03-02T08:00:00.000000000Z","job":"j-1","planned_pull":1,"label":"whole item","repeated_because":"",` +
		`"required_newtons":100000,"peak_newtons":102649.683,"hold_seconds":3.600000008,"verdict":"pass","reasons":[]}],` +
		`"inspection":null,"inspections":0}`
	if string(text) != want {
		t.Errorf("got  %s\nwant %s", text, want)
	}
}

func TestSummariesAreWhatTheRecordsSay(t *testing.T) {
	all := slices.Collect(years(1, 200))
	x := indexOf(t, all...)
	decoded := 0
	for _, r := range all {
		e, err := publish.Decode(r.Event, publish.Clock{Epoch: opened}, publish.Traces{})
		if err != nil && !errors.Is(err, publish.ErrNotDecoded) {
			t.Fatal(err)
		}
		want, ok := e.(peak.TestEnded)
		if !ok {
			continue
		}
		decoded++
		got, ok := x.Test(want.Job.ID)
		if !ok || got.Record != r.Number || !got.EndedAt.Equal(opened.Add(want.At)) || got.Item != want.Job.Item ||
			got.Description != want.Job.Description || got.Kind != want.Job.Kind || got.Owner != want.Job.Owner ||
			got.Operator != want.Job.Operator || got.Rule != want.Job.Rule || got.Source != want.Job.Source || got.WLL != want.Job.WLL ||
			got.Planned != len(want.Job.Planned) || got.Verdict != want.Verdict || !slices.Equal(got.Reasons, want.Reasons) ||
			got.Required != peak.Known(demand.Required()) || got.Limit != demand.Limit || got.RequiredHold != demand.Hold {
			t.Fatalf("record %d\ngot  %+v\nwant %+v", r.Number, got, want)
		}
		checkPulls(t, x, got, want.Attempts)
	}
	if decoded < 150 {
		t.Fatalf("only %d tests were compared", decoded)
	}
}

func checkPulls(t *testing.T, x *search.Index, got search.Test, want []peak.Attempt) {
	t.Helper()
	if len(got.Pulls) != len(want) {
		t.Fatalf("job %s has %d pulls, want %d", got.Job, len(got.Pulls), len(want))
	}
	for i, p := range got.Pulls {
		a := want[i]
		e := a.Ended
		if p.Number != e.Pull || !p.StartedAt.Equal(opened.Add(e.StartedAt)) || p.Job != got.Job || p.Planned != a.Planned+1 ||
			p.Label != e.Label || p.Why != a.Why || p.Required != peak.Known(e.Requirement.Value.Required()) || p.Peak != e.Peak ||
			p.Hold != e.Hold.For || p.Verdict != e.Verdict || !slices.Equal(p.Reasons, e.Reasons) {
			t.Fatalf("got  %+v\nwant %+v", p, a)
		}
		if single, ok := x.Pull(p.Number); !ok || !reflect.DeepEqual(single, p) {
			t.Fatalf("pull %d alone is %+v, in its test %+v", p.Number, single, p)
		}
	}
}

func TestPullsNameTheirRecords(t *testing.T) {
	all := slices.Collect(years(2, 120))
	x := indexOf(t, all...)
	started := map[int64]uint64{}
	checked := 0
	for _, r := range all {
		var d struct {
			Pull int64 `json:"pull"`
		}
		if err := json.Unmarshal(r.Data, &d); err != nil {
			t.Fatal(err)
		}
		switch r.Type {
		case peak.TypePullStarted:
			started[d.Pull] = r.Number
		case peak.TypePullEnded:
			checked++
			if p, ok := x.Pull(d.Pull); !ok || p.Record != r.Number || p.Started != started[d.Pull] {
				t.Fatalf("pull %d: records %d and %d, want %d and %d", d.Pull, p.Started, p.Record, started[d.Pull], r.Number)
			}
		}
	}
	if checked < 150 {
		t.Fatalf("only %d pulls were compared", checked)
	}
	if _, ok := x.Pull(1 << 40); ok {
		t.Error("there is a pull that was never made")
	}
}

// TestStrictestOfPlannedPulls: legs of different ratings are shown with the demand
// that covers them all.
func TestStrictestOfPlannedPulls(t *testing.T) {
	j := jobOf("j-1", "HL-0001")
	j.Planned = []peak.Planned{
		{Label: "leg 1", Requirement: peak.Requirement{Asked: 40 * peak.Kilonewton, Hold: 10 * time.Second}},
		{Label: "leg 2", Requirement: peak.Requirement{Asked: 60 * peak.Kilonewton, Limit: peak.Known(70 * peak.Kilonewton), Hold: time.Second}},
		{Label: "link", Requirement: peak.Requirement{
			Asked: 50 * peak.Kilonewton, Guard: 10 * peak.Percent, Limit: peak.Known(65 * peak.Kilonewton), Hold: 2 * time.Second,
		}},
	}
	x := indexOf(t, records(peak.TestEnded{Job: j, Verdict: peak.Incomplete})...)
	got, _ := x.Test("j-1")
	if got.Required != peak.Known(60*peak.Kilonewton) || got.Limit != peak.Known(65*peak.Kilonewton) || got.RequiredHold != 10*time.Second {
		t.Errorf("got %v, %v, %v", got.Required, got.Limit, got.RequiredHold)
	}
	if got.Planned != 3 || len(got.Pulls) != 0 || got.LowestPeak().Known || got.ShortestHold().Known || got.HighestPeak().Known {
		t.Errorf("a test without a pull has figures: %+v", got)
	}
}

// TestFiguresOfRepeatedPulls: what counts is each planned pull's last attempt; the
// highest load counts whichever attempt it was in.
func TestFiguresOfRepeatedPulls(t *testing.T) {
	j := jobOf("j-1", "HL-0001")
	made := func(planned int, kilonewtons peak.Force, hold time.Duration) peak.Attempt {
		p := pullOf(1, 0, "j-1", peak.Pass)
		p.Peak, p.Hold.For = peak.Known(kilonewtons*peak.Kilonewton), hold
		return peak.Attempt{Planned: planned, Ended: p}
	}
	x := indexOf(t, records(peak.TestEnded{Job: j, Verdict: peak.Pass, Attempts: []peak.Attempt{
		made(0, 108, 5*time.Second), made(1, 101, 1*time.Second), made(1, 103, 4*time.Second), made(2, 104, 6*time.Second),
	}})...)
	got, _ := x.Test("j-1")
	if low, high, hold := got.LowestPeak(), got.HighestPeak(), got.ShortestHold(); low != peak.Known(103*peak.Kilonewton) ||
		high != peak.Known(108*peak.Kilonewton) || hold != peak.Known(4*time.Second) {
		t.Errorf("got %v, %v, %v", low, high, hold)
	}
}

func TestInspections(t *testing.T) {
	j, other := jobOf("j-1", "HL-0001"), jobOf("j-2", "HL-0001")
	events := append(testOf(j, 1, 0, peak.Pass), testOf(other, 2, time.Hour, peak.Pass)...)
	x := indexOf(t, records(append(events,
		inspectionOf(j, 2*time.Hour, "B. Ek", true),
		inspectionOf(j, 3*time.Hour, "C. Dahl", false),
		inspectionOf(jobOf("j-9", "HL-0009"), 4*time.Hour, "C. Dahl", false), // never tested
	)...)...)
	got, _ := x.Test("j-1")
	want := search.Inspection{Record: 10, At: opened.Add(3 * time.Hour), Inspector: "C. Dahl", Finding: search.Rejected}
	if got.Inspections != 2 || got.Inspection == nil || *got.Inspection != want {
		t.Errorf("got %d inspections, the last %+v, want 2, %+v", got.Inspections, got.Inspection, want)
	}
	if got, _ := x.Test("j-2"); got.Inspection != nil || got.Inspections != 0 {
		t.Errorf("the other test of the item has %+v", got.Inspection)
	}
	if text, err := json.Marshal(got); err != nil || !strings.HasSuffix(string(text),
		`"inspection":{"record":10,"inspected_at":"2026-03-02T10:00:00.000000000Z","inspector":"C. Dahl","finding":"rejected"},"inspections":2}`) {
		t.Errorf("as JSON: %s, %v", text, err)
	}
}

func TestUnassignedPulls(t *testing.T) {
	loose := func(n int64) []peak.Event {
		p := pullOf(n, time.Duration(n)*time.Hour, "", peak.Unassigned)
		return []peak.Event{startOf(p), p}
	}
	j := jobOf("j-1", "HL-0001")
	all := records(slices.Concat(loose(1), loose(2), testOf(j, 3, 3*time.Hour, peak.Pass), loose(4))...)
	x := indexOf(t, all...)
	if got := numbers(x.Unassigned()); !slices.Equal(got, []int64{4, 2, 1}) {
		t.Fatalf("got %v, want 4, 2 and 1", got)
	}
	c := clerk{last: x.Last()}
	assigned := pullOf(2, 2*time.Hour, "j-5", peak.Incomplete, peak.HoldNotReached)
	if err := x.Add(c.write(peak.PullAssigned{At: 5 * time.Hour, Label: "end A", Ended: assigned, By: "A. Lind"})); err != nil {
		t.Fatal(err)
	}
	if got := numbers(x.Unassigned()); !slices.Equal(got, []int64{4, 1}) {
		t.Errorf("got %v, want 4 and 1", got)
	}
	p, _ := x.Pull(2)
	if p.Job != "j-5" || p.Verdict != peak.Incomplete || p.Label != "end A" || p.Planned != 1 || p.Started != 3 || p.Record != 4 {
		t.Errorf("the assigned pull is %+v", p)
	}
	if len(search.New().Unassigned()) != 0 {
		t.Error("an empty index has unassigned pulls")
	}
}

// TestPullsOfATestAreAssigned: even if the record that assigned one could not be
// read.
func TestPullsOfATestAreAssigned(t *testing.T) {
	loose, j := pullOf(1, 0, "", peak.Unassigned), jobOf("j-1", "HL-0001")
	assigned := pullOf(1, 0, "j-1", peak.Pass)
	x := indexOf(t, records(startOf(loose), loose, peak.TestEnded{Job: j, Verdict: peak.Pass, Attempts: []peak.Attempt{{Ended: assigned}}})...)
	if got := x.Unassigned(); len(got) != 0 {
		t.Errorf("unassigned are %+v", got)
	}
	if p, _ := x.Pull(1); p.Job != "j-1" || p.Record != 2 {
		t.Errorf("the pull is %+v", p)
	}
}

func numbers(pulls []search.Pull) (out []int64) {
	for _, p := range pulls {
		out = append(out, p.Number)
	}
	return out
}

func TestCancelledJobsAreNoTests(t *testing.T) {
	j := jobOf("j-1", "HL-0001")
	p := pullOf(1, 0, j.ID, peak.Pass)
	x := indexOf(t, records(peak.JobOpened{Job: j}, startOf(p), p, peak.JobCancelled{Job: j.ID, Why: "wrong item", By: "A. Lind"})...)
	if tests, total, _ := x.Find(search.Query{}); len(tests) != 0 || total != 0 {
		t.Errorf("got %+v", tests)
	}
	if _, ok := x.Test("j-1"); ok {
		t.Error("the cancelled job has a test")
	}
	if p, ok := x.Pull(1); !ok || p.Job != "j-1" || len(x.Unassigned()) != 0 {
		t.Errorf("its pull is %+v, %v", p, ok)
	}
}

// TestIDUsedAgain: both tests are found; the id stands for the later one.
func TestIDUsedAgain(t *testing.T) {
	first, second := jobOf("j-1", "HL-0001"), jobOf("j-1", "HL-0002")
	events := append(testOf(first, 1, 0, peak.Pass), testOf(second, 2, time.Hour, peak.Void, peak.ZeroShiftBeyondLimit)...)
	x := indexOf(t, records(append(events, inspectionOf(second, 2*time.Hour, "B. Ek", true))...)...)
	if got, _ := x.Test("j-1"); got.Item != "HL-0002" || got.Inspections != 1 {
		t.Errorf("got %+v", got)
	}
	if tests, _, _ := x.Find(search.Query{}); len(tests) != 2 || tests[1].Item != "HL-0001" || tests[1].Inspections != 0 {
		t.Errorf("got %+v", tests)
	}
}

func TestRecordsThatCannotBeRead(t *testing.T) {
	var c clerk
	bad := func(kind, data string) publish.Record {
		return c.record(publish.Event{Type: kind, Time: opened, Data: json.RawMessage(data)})
	}
	x := search.New()
	for kind, samples := range map[string][]string{
		peak.TypePullStarted:   {``, `{`, `[]`, `{"pull":"1"}`, `{}`, `{"pull":-1}`},
		peak.TypePullEnded:     {`{"pull":1,"peak_newtons":"1"}`, `{"pull":1,"hold_seconds":1e99}`, `{"pull":1.5}`, `{"pull":0}`, `{"pull":1,"started_at":"noon"}`},
		peak.TypePullAssigned:  {`{"pull":1}`, `{"job":"j-1"}`},
		peak.TypeTestEnded:     {`{"verdict":"pass"}`, `{"job":"j-1"}`, `{"job":"j-1","verdict":"pass","attempts":[{}]}`, `null`},
		peak.TypeItemInspected: {`{"job":"j-1","finding":"fine"}`, `{"finding":"accepted"}`, `7`},
	} {
		for _, data := range samples {
			r := bad(kind, data)
			err := x.Add(r)
			if err == nil || !strings.Contains(err.Error(), "("+kind+")") {
				t.Errorf("%s %s: got %v", kind, data, err)
			}
			if x.Last() != r.Number {
				t.Errorf("the index stands at %d, want %d", x.Last(), r.Number)
			}
		}
	}
	if err := x.Trouble(); err == nil || !strings.HasPrefix(err.Error(), "20 records are left out, the first: index record 1 (") {
		t.Errorf("the trouble is %v", err)
	}
	for _, e := range testOf(jobOf("j-1", "HL-0001"), 1, 0, peak.Pass) {
		if err := x.Add(c.write(e)); err != nil {
			t.Fatal(err)
		}
	}
	if _, total, _ := x.Find(search.Query{}); total != 1 {
		t.Errorf("%d tests after the trouble, want 1", total)
	}
}

func TestTroubleWithOneRecord(t *testing.T) {
	var c clerk
	x := search.New()
	if x.Trouble() != nil {
		t.Error("an empty index has trouble")
	}
	err := x.Add(c.record(publish.Event{Type: peak.TypePullEnded, Data: json.RawMessage(`{}`)}))
	if err == nil || x.Trouble() == nil || x.Trouble().Error() != err.Error() {
		t.Errorf("the trouble is %v, want %v", x.Trouble(), err)
	}
}

func TestRecordsMustComeInOrder(t *testing.T) {
	all := records(testOf(jobOf("j-1", "HL-0001"), 1, 0, peak.Pass)...)
	x := indexOf(t, all...)
	for _, r := range all {
		if err := x.Add(r); !errors.Is(err, search.ErrOrder) {
			t.Errorf("record %d again gave %v", r.Number, err)
		}
	}
	if _, total, _ := x.Find(search.Query{}); total != 1 || x.Trouble() != nil {
		t.Errorf("%d tests, want 1; trouble %v", total, x.Trouble())
	}
}

// TestAllTypesOfEvents: the golden file of all events goes in without an error.
func TestAllTypesOfEvents(t *testing.T) {
	text, err := os.ReadFile("../../testdata/events/all.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	var c clerk
	var all []publish.Record
	for line := range bytes.Lines(text) {
		var e struct {
			Type string          `json:"type"`
			Time time.Time       `json:"time"`
			Data json.RawMessage `json:"data"`
		}
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		all = append(all, c.record(publish.Event{Type: e.Type, Time: e.Time, Data: e.Data}))
	}
	x := indexOf(t, all...)
	tests, total, _ := x.Find(search.Query{})
	if total != 1 || tests[0].Item != "HL-0042" || tests[0].Inspection.Finding != search.Accepted {
		t.Errorf("got %+v", tests)
	}
}

// TestMemory: a hundred thousand tests must fit into 100 MB.
func TestMemory(t *testing.T) {
	const jobs = 2000
	x := search.New()
	before := heap()
	fill(t, x, 3, jobs)
	used := heap() - before
	_, total, _ := x.Find(search.Query{})
	t.Logf("%d bytes a test", used/uint64(total))
	if used/uint64(total) > 1000 {
		t.Errorf("%d bytes a test, want at most 1000", used/uint64(total))
	}
	runtime.KeepAlive(x)
}

func fill(t testing.TB, x *search.Index, seed uint64, jobs int) {
	for r := range years(seed, jobs) {
		if err := x.Add(r); err != nil {
			t.Fatal(err)
		}
	}
}

func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
