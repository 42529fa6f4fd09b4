package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// life is one daemon as its watcher saw it.
type life struct {
	world    *world
	number   int
	daemon   *daemon
	first    uint64 // its first record
	last     time.Duration
	epoch    time.Time
	accepted []peak.Reading
	// mirror is a core that steps through the same, undisturbed.
	mirror  *peak.Machine
	ended   map[int64]peak.PullEnded // by the mirror
	started map[int64]int            // how many readings were accepted when a pull began
	known   map[uint64]peak.Event    // the records of this run
}

// watch follows a daemon that has not begun to run.
func (w *world) watch(d *daemon) *life {
	w.mu.Lock()
	r := &life{
		world: w, number: len(w.runs), daemon: d, last: -1, epoch: d.loop.clock.Epoch,
		ended: map[int64]peak.PullEnded{}, started: map[int64]int{}, known: map[uint64]peak.Event{},
	}
	w.runs = append(w.runs, r)
	w.mu.Unlock()
	var from peak.Start
	ctx := context.Background()
	for n := range d.journal.Last() {
		rec, err := d.journal.Next(ctx, n)
		if err != nil {
			w.fail("read back record %d: %w", n+1, err)
			break
		}
		if line, ok := w.acked[rec.Number]; ok && !bytes.Equal(line, rec.Line) {
			w.fail("record %d is another than the one acknowledged", rec.Number)
		}
		w.acked[rec.Number] = bytes.Clone(rec.Line)
		e, err := publish.Decode(rec.Event, d.loop.clock, publish.Traces{})
		if err == nil {
			from.Follow(e)
		}
	}
	for n := range w.acked {
		if n > d.journal.Last() {
			w.fail("record %d was acknowledged and is lost; the last one is %d", n, d.journal.Last())
		}
	}
	r.first = d.journal.Last() + 1
	for _, told := range w.told {
		if !slices.ContainsFunc(sortedLines(w.acked), func(line []byte) bool { return bytes.Contains(line, told.data) }) {
			w.fail("a command was answered in run %d and its event is lost: %s", told.run, told.data)
		}
	}
	w.told = nil // they are in acked from now on
	r.mirror = peak.New(w.config.Settings(), from)
	d.loop.hear = append(d.loop.hear, r.hear)
	return r
}

func sortedLines(acked map[uint64][]byte) (all [][]byte) {
	for _, line := range acked {
		all = append(all, line)
	}
	return all
}

// hear looks at each step of the loop, in its goroutine.
func (r *life) hear(s *publish.Snapshot, _ publish.Span, now time.Duration) {
	if by := s.Clock.Epoch.Sub(r.epoch); by != 0 {
		r.epoch = s.Clock.Epoch
		r.see(r.mirror.Step(peak.SetClock{At: max(r.last, 0), By: by}))
	}
	if rows := r.daemon.loop.record.recent; len(rows) > 0 && rows[len(rows)-1].reading.At > r.last {
		x := rows[len(rows)-1].reading
		r.last = x.At
		r.accepted = append(r.accepted, x)
		r.right(&x)
		r.see(r.mirror.Step(&x))
	}
	if net := s.State.Net; net.Known {
		r.fresh(s, now)
	}
	r.durable(s)
}

// right checks that a reading is what the indicator had in the time in which it was asked.
func (r *life) right(x *peak.Reading) {
	if x.Quality != peak.Good {
		return
	}
	at, ok := r.world.cable.takenAt(x.Force)
	age := r.daemon.loop.start.Add(x.At).Sub(at)
	if !ok || age < 0 || age > r.world.config.Load.Timeout+20*time.Millisecond {
		r.world.fail("run %d accepted %v at %v, taken %v before (%t)", r.number, x.Force, x.At, age, ok)
	}
}

// fresh checks that a force on show is the newest reading and young.
func (r *life) fresh(s *publish.Snapshot, now time.Duration) {
	var x peak.Reading
	for _, one := range slices.Backward(r.accepted) {
		if one.Quality == peak.Good {
			x = one
			break
		}
	}
	age := now - x.At
	// Zero tracking moves the zero behind the reading that is on show, by less than this.
	off := s.State.Net.Value - (x.Force - s.State.Zero - s.State.Tare)
	if off < -r.world.config.Bench.Division || off > r.world.config.Bench.Division || s.State.Net != r.mirror.State().Net || s.State.Quality != peak.Good {
		r.world.fail("run %d shows %v of quality %q, and the last good reading was %v less %v and %v",
			r.number, s.State.Net.Value, s.State.Quality, x.Force, s.State.Zero, s.State.Tare)
	}
	if age > r.world.config.Capture.MaxGap+2*tickEvery+silence {
		r.world.fail("run %d shows a force %v old", r.number, age)
	}
}

// durable keeps what was acknowledged, and that every pull that ended is.
func (r *life) durable(s *publish.Snapshot) {
	w := r.world
	for n := uint64(len(w.acked)) + 1; n <= s.JournalRecords; n++ {
		rec, err := r.daemon.journal.Next(context.Background(), n-1)
		if err != nil {
			w.fail("read record %d: %w", n, err)
			return
		}
		w.acked[n] = bytes.Clone(rec.Line)
		e, err := publish.Decode(rec.Event, s.Clock, publish.Traces{})
		if err != nil {
			continue
		}
		r.known[n] = e
		switch e := e.(type) {
		case peak.PullStarted:
			r.started[e.Pull] = len(r.accepted)
		case peak.PullEnded:
			r.same(e)
		}
	}
}

// see takes the events of the mirror.
func (r *life) see(events []peak.Event) {
	for _, e := range events {
		if e, ok := e.(peak.PullEnded); ok {
			r.ended[e.Pull] = e
		}
	}
}

// same checks a recorded pull against the mirror's.
func (r *life) same(e peak.PullEnded) {
	m, ok := r.ended[e.Pull]
	if slices.Contains(e.Reasons, peak.Interrupted) {
		return // the daemon was stopped; its trace is judged at the end
	}
	if !ok || m.Verdict != e.Verdict || !slices.Equal(m.Reasons, e.Reasons) || m.Peak != e.Peak || m.Highest != e.Highest ||
		m.Hold.For != e.Hold.For || m.Job != e.Job || m.Label != e.Label || m.ZeroBefore != e.ZeroBefore || m.ZeroAfter != e.ZeroAfter {
		r.world.fail("run %d, pull %d: recorded %+v, an undisturbed core says %+v", r.number, e.Pull, e, m)
	}
	r.world.seen.add("pull: " + string(e.Verdict))
}

// live checks a reading as the broker gets it.
func (w *world) live(body []byte) {
	var x struct {
		Age     float64  `json:"age_seconds"`
		Quality string   `json:"quality"`
		Force   *float64 `json:"force_newtons"`
	}
	if err := json.Unmarshal(body, &x); err != nil {
		w.fail("live reading: %w", err)
		return
	}
	if x.Force != nil && (x.Quality != "" || x.Age > (w.config.Capture.MaxGap+time.Second).Seconds()) {
		w.fail("the broker was shown as fresh: %s", body)
	}
}

// wholeOnBroker checks that the broker has each record once, as it is in the journal.
func (w *world) wholeOnBroker() {
	got := map[string]int{}
	for _, m := range w.broker.records(w.t) {
		id := headerOf(m.header).Get("ce-id")
		got[id]++
		n := uint64(0)
		if _, err := fmt.Sscanf(id, "dock-3-%d", &n); err != nil || !bytes.Contains(w.acked[n], m.body) {
			w.fail("the broker has %s, which is not record %d", id, n)
		}
	}
	for n := uint64(1); n <= uint64(len(w.acked)); n++ {
		if id := publish.ID("dock-3", n); got[id] != 1 {
			w.fail("the broker has record %s %d times", id, got[id])
		}
	}
	if len(got) != len(w.acked) {
		w.fail("the broker has %d records, the journal %d", len(got), len(w.acked))
	}
}

// audit checks the journal, its seals and the traces it names.
func (w *world) audit() {
	dir := filepath.Join(w.t.TempDir(), "saved")
	w.disk.save(w.t, w.dir, dir)
	report, err := (&auditFlags{}).audit(dir, nil)
	if err != nil {
		w.fail("audit: %w", err)
		return
	}
	if !report.sound() || report.Records != uint64(len(w.acked)) {
		w.fail("audit: %d records of %d, %v", report.Records, len(w.acked), report.problems())
	}
	if w.config.Seal.Key != "" && report.seal.Sealed != int64(len(w.acked))-1 {
		w.fail("the last checkpoint seals %d of %d records", report.seal.Sealed, len(w.acked))
	}
	for range report.seal.Checkpoints {
		w.seen.add("seal: sound")
	}
	w.judgeTraces(dir)
}

// judgeTraces checks that each trace is a stretch of the readings that were accepted, and
// that it judges the pull as its record does.
func (w *world) judgeTraces(dir string) {
	var started peak.PullStarted
	var at uint64
	for n := uint64(1); n <= uint64(len(w.acked)); n++ {
		var line struct {
			Type string
			Data json.RawMessage
		}
		if err := json.Unmarshal(w.acked[n], &line); err != nil {
			w.fail("record %d: %w", n, err)
			return
		}
		e, err := publish.Decode(publish.Event{Type: line.Type, Data: line.Data}, sinceEpoch, publish.Traces{})
		if err != nil {
			continue
		}
		switch e := e.(type) {
		case peak.PullStarted:
			started, at = e, n
		case peak.PullEnded:
			if e.Pull != started.Pull {
				w.fail("record %d ends pull %d, and pull %d is in hand", n, e.Pull, started.Pull)
			}
			w.judgeTrace(dir, at, e, line.Data)
		}
	}
}

func (w *world) judgeTrace(dir string, number uint64, e peak.PullEnded, data []byte) {
	var named struct{ Trace *publish.Trace }
	if err := json.Unmarshal(data, &named); err != nil || named.Trace == nil {
		return // the disk failed under it, or the power before it was begun
	}
	rows, err := readTrace(filepath.Join(dir, named.Trace.Name))
	if err != nil {
		w.fail("trace of pull %d: %w", e.Pull, err)
		return
	}
	for _, r := range w.runs {
		if n := r.started[e.Pull]; n > 0 && r.known[number] != nil {
			r.holds(e, rows, n)
		}
	}
	w.seen.add("trace: judged")
}

func readTrace(name string) (rows []peak.Reading, err error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	t, err := journal.NewTraceReader(f)
	if err != nil {
		return nil, err
	}
	for {
		var x peak.Reading
		_, err := t.Next(&x)
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if err != nil {
			return nil, err
		}
		rows = append(rows, x)
	}
}

// holds checks a trace against the readings that were accepted, so many of which had come
// when the pull began. Of an interrupted pull the last second may be gone.
func (r *life) holds(e peak.PullEnded, rows []peak.Reading, n int) {
	newest, begin := r.accepted[n-1].At, 0
	for newest-r.accepted[begin].At > preroll {
		begin++
	}
	all := r.accepted[begin:]
	if len(rows) > len(all) {
		r.world.fail("the trace of pull %d has %d readings, %d were accepted", e.Pull, len(rows), len(all))
		return
	}
	for i, x := range rows {
		y := all[i]
		if y.At -= all[0].At; x != y {
			r.world.fail("pull %d, row %d of the trace is %+v, accepted was %+v", e.Pull, i, x, y)
			return
		}
	}
	if !slices.Contains(e.Reasons, peak.Interrupted) || len(rows) == 0 {
		return
	}
	if lost := all[len(all)-1].At - all[0].At - rows[len(rows)-1].At; lost > 1200*time.Millisecond && r.daemon.journal.Failed() == nil {
		r.world.fail("%v are missing at the end of the trace of pull %d", lost, e.Pull)
	}
}
