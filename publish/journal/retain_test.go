package journal

import (
	"bytes"
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// oldPull writes a pull with a trace, for a job or for none.
func oldPull(t testing.TB, w *Writer, pull int64, at time.Duration, job string) (number uint64) {
	t.Helper()
	number = add(t, w, encode(peak.PullStarted{Pull: pull, StartedAt: at, Job: job}, nil)).Number
	trace, err := w.StartTrace(number, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range readings(3) {
		if err := trace.Add(r, 0); err != nil {
			t.Fatal(err)
		}
	}
	sealed, err := trace.Close()
	if err != nil {
		t.Fatal(err)
	}
	add(t, w, encode(peak.PullEnded{Pull: pull, StartedAt: at, DecidedAt: at + time.Minute, Job: job}, &sealed))
	return number
}

// Only what is old and needs nobody any more may be removed.
func TestOldTraces(t *testing.T) {
	const day = 24 * time.Hour
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	defer w.Close()
	tested := func(job string, at time.Duration) {
		add(t, w, encode(peak.TestEnded{At: at, Job: peak.Job{ID: job}}, nil))
	}
	inspected := func(job string, at time.Duration) {
		add(t, w, encode(peak.ItemInspected{At: at, Job: job, Inspector: "B. Ek"}, nil))
	}
	oldPull(t, w, 1, 1*day, "inspected")
	tested("inspected", 1*day)
	inspected("inspected", 2*day)
	oldPull(t, w, 2, 2*day, "not-inspected")
	tested("not-inspected", 2*day)
	oldPull(t, w, 3, 3*day, "cancelled")
	add(t, w, encode(peak.JobCancelled{At: 3 * day, Job: "cancelled"}, nil))
	oldPull(t, w, 4, 4*day, "")
	oldPull(t, w, 5, 5*day, "")
	oldPull(t, w, 6, 6*day, "inspected-late")
	tested("inspected-late", 6*day)
	oldPull(t, w, 7, 40*day, "young")
	tested("young", 40*day)
	inspected("young", 40*day)
	inspected("inspected-late", 50*day)
	add(t, w, encode(peak.PullAssigned{At: 51 * day, Ended: peak.PullEnded{Pull: 5, StartedAt: 5 * day, Job: "open"}}, nil))
	old := func(before time.Duration) (pulls []int64) {
		t.Helper()
		found, err := w.OldTraces(t.Context(), epoch.Add(before))
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range found {
			pulls = append(pulls, o.Pull)
		}
		return pulls
	}
	if got := old(30 * day); !slices.Equal(got, []int64{1, 3, 4, 6}) {
		t.Errorf("may be removed: %v", got)
	}
	if got := old(day / 2); got != nil {
		t.Errorf("with nothing old: %v", got)
	}
	if got := old(3 * day); !slices.Equal(got, []int64{1}) {
		t.Errorf("after two days: %v", got)
	}
}

// A trace is gone only with a record of it; then an audit notes it, and without one
// it is a problem where the record of its pull is. The journal becomes one of the
// format that allows that.
func TestRemoveTrace(t *testing.T) {
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	first, second := oldPull(t, w, 1, time.Hour, ""), oldPull(t, w, 2, 2*time.Hour, "")
	w.Close()
	if err := fsys.Remove("/j/" + formatName); err != nil {
		t.Fatal(err)
	}
	w, _ = open(t, options(fsys))
	if w.format != 1 || fsys.bytesOf("/j/"+formatName) != nil {
		t.Fatalf("a journal of the first format became %d by opening it", w.format)
	}
	old, err := w.OldTraces(t.Context(), epoch.Add(90*time.Minute))
	if err != nil || len(old) != 1 {
		t.Fatal(old, err)
	}
	add(t, w, encode(peak.TraceRemoved{At: 3 * time.Hour, Pull: 1, Name: old[0].Trace.Name, SHA256: old[0].Trace.SHA256, Why: "older than a month"}, nil))
	if r, err := audit(fsys, "/j", 0, nil); err != nil || !r.Sound() || r.Removed != 0 || r.Traces != 2 {
		t.Errorf("before it is gone: %+v, %v", r, err)
	}
	if !bytes.HasPrefix(fsys.bytesOf("/j/"+formatName), []byte(formatText)) {
		t.Error("the journal does not say its format")
	}
	for range 2 {
		if err := w.RemoveTrace(old[0].Trace.Name); err != nil {
			t.Fatal(err)
		}
	}
	if fsys.bytesOf("/j/"+traceName(first)) != nil || fsys.bytesOf("/j/"+traceName(second)) == nil {
		t.Error("the wrong trace is gone")
	}
	r, err := audit(fsys, "/j", 0, nil)
	if err != nil || !r.Sound() || r.Removed != 1 || r.Traces != 1 || len(r.Notes) != 1 || !strings.Contains(r.Notes[0].Text, "1 traces were removed") {
		t.Errorf("audit: %+v, %v", r, err)
	}
	if err := fsys.Remove("/j/" + traceName(second)); err != nil {
		t.Fatal(err)
	}
	r, err = audit(fsys, "/j", 0, nil)
	if want := (Damage{File: traceName(second), Record: 4, Reason: "is missing"}); err != nil || len(r.Problems) != 1 || r.Problems[0] != want {
		t.Errorf("a trace that is gone without a record: %+v, %v", r, err)
	}
	for _, name := range []string{"", "traces/../lock", "../traces/000000000001.csv", "000000000001.jsonl", "traces/000000000001.csv/"} {
		if err := w.RemoveTrace(name); err == nil {
			t.Errorf("%q may be removed", name)
		}
	}
	w.Close()
}

// Whatever was removed before it was recorded would be a loss: the record is durable
// first, and what a power cut leaves is sound.
func TestRemovedTraceAfterPowerCut(t *testing.T) {
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	number := oldPull(t, w, 1, time.Hour, "")
	var trace publish.Trace
	old, err := w.OldTraces(t.Context(), epoch.Add(24*time.Hour))
	if err != nil || len(old) != 1 {
		t.Fatal(old, err)
	}
	trace = old[0].Trace
	check := func(when string) {
		if r, err := audit(fsys.powerCut(), "/j", 0, nil); err != nil || !r.Sound() {
			t.Errorf("%s: %+v, %v", when, r, err)
		}
	}
	check("before")
	add(t, w, encode(peak.TraceRemoved{Pull: 1, Name: trace.Name, SHA256: trace.SHA256}, nil))
	check("recorded")
	if err := w.RemoveTrace(trace.Name); err != nil {
		t.Fatal(err)
	}
	check("removed")
	w.Close()
	if _, err := fsys.OpenFile(filepath.Join("/j", traceName(number)), 0, 0); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}
