package journal

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

const bench = "dock-3"

// epoch is the wall-clock time at which the stream of the tests begins.
var epoch = time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC)

// ticking returns a clock that goes on by a second at each look.
func ticking() func() time.Time {
	t := epoch
	return func() time.Time {
		t = t.Add(time.Second)
		return t
	}
}

func options(fsys FS) Options { return Options{Bench: bench, FS: fsys, Now: ticking()} }

// open opens the journal in /j or ends the test.
func open(t testing.TB, o Options) (*Writer, Opened) {
	t.Helper()
	w, opened, err := Open("/j", o)
	if err != nil {
		t.Fatal(err)
	}
	return w, opened
}

// encode puts a core event into the journal's encoding.
func encode(e peak.Event, trace *publish.Trace) publish.Event {
	traces := publish.Traces{}
	if p, ok := e.(peak.PullEnded); ok && trace != nil {
		traces[p.Pull] = *trace
	}
	return publish.Encode(e, publish.Clock{Epoch: epoch}, traces)
}

// event returns an event with so many bytes of text in its data.
func event(n, size int) publish.Event {
	text := fmt.Sprintf("%0*d", size, n)
	data, _ := json.Marshal(map[string]any{"note": text})
	return publish.Event{Type: "thimbled.item.inspected", Time: epoch.Add(time.Duration(n) * time.Minute), Data: data}
}

// add appends an event or ends the test.
func add(t testing.TB, w *Writer, e publish.Event) publish.Record {
	t.Helper()
	r, err := w.Append(e)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// readAll returns all records of the journal in /j.
func readAll(fsys FS) (all []publish.Record, err error) {
	for r, err := range records(fsys, "/j") {
		if err != nil {
			return all, err
		}
		all = append(all, r)
	}
	return all, nil
}

// readings returns so many good readings of a load going up, a tenth of a
// second apart, the first a minute after the stream began.
func readings(n int) []peak.Reading {
	out := make([]peak.Reading, n)
	for i := range out {
		out[i] = peak.Reading{At: time.Minute + time.Duration(i)*100*time.Millisecond, Force: peak.Force(i) * 1250 * peak.Newton / 2}
		if i%5 == 0 {
			out[i].Pressure = peak.Known(peak.Pressure(i) * peak.Bar / 10)
		}
	}
	return out
}

// loft writes the journal of a short morning: the daemon starts, a zero and a
// tare are set, a job is opened, one pull is made and the daemon stops.
func loft(t testing.TB, w *Writer) {
	t.Helper()
	requirement := peak.Requirement{Asked: 5 * peak.Kilonewton, Guard: peak.Percent, Limit: peak.Known(6 * peak.Kilonewton), Hold: time.Second}
	const job = "2026-017"
	add(t, w, encode(peak.DaemonStarted{At: time.Second, Version: "0.1.0", ConfigDigest: "5f2c", CleanBefore: true}, nil))
	add(t, w, encode(peak.ZeroSet{At: 2 * time.Second, New: 125 * peak.Newton / 2, By: "rigger"}, nil))
	add(t, w, encode(peak.TareSet{At: 3 * time.Second, New: 310 * peak.Newton, By: "rigger"}, nil))
	add(t, w, publish.Event{Type: peak.TypeJobOpened, Time: epoch.Add(4 * time.Second),
		Data: []byte(`{"job":"2026-017","item":"SL-0042","description":"wire rope sling, 13 mm, single leg","by":"rigger"}`)})
	rows := readings(12)
	started := peak.PullStarted{Pull: 1, StartedAt: rows[0].At, ZeroBefore: peak.Known(peak.Force(20)), Zero: 62500, Tare: 310000, Requirement: peak.Known(requirement), Job: job}
	number := add(t, w, encode(started, nil)).Number
	trace, err := w.StartTrace(number, true)
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range rows {
		raw := float64(i) * 0.125
		if i == 7 {
			r.Quality, raw = peak.Timeout, math.NaN()
		}
		if err := trace.Add(r, raw); err != nil {
			t.Fatal(err)
		}
	}
	sealed, err := trace.Close()
	if err != nil {
		t.Fatal(err)
	}
	add(t, w, encode(peak.HoldReached{Pull: 1, ReachedAt: rows[10].At, Hold: time.Second}, nil))
	add(t, w, encode(peak.PullEnded{
		Pull: 1, StartedAt: rows[0].At, EndedAt: peak.Known(rows[11].At), DecidedAt: rows[11].At, Peak: peak.Known(rows[10].Force), PeakAt: rows[10].At,
		Highest: rows[11].Force, Requirement: peak.Known(requirement), Hold: peak.Hold{For: time.Second}, Zero: 62500, Tare: 310000, Verdict: peak.Pass, Job: job,
	}, &sealed))
	add(t, w, publish.Event{Type: peak.TypeTestEnded, Time: epoch.Add(rows[11].At), Data: []byte(`{"job":"2026-017","verdict":"pass","reasons":[],"pulls":[1]}`)})
	add(t, w, encode(peak.DaemonStopped{At: 5 * time.Minute, Clean: true, Why: "asked to"}, nil))
}
