package main

import (
	"time"

	"thimbled/publish"
	"thimbled/publish/journal"
)

// preroll is how much of the time before a pull its trace holds: the rest that
// the zero before is taken from, and a rise that may be slow.
const preroll = 20 * time.Second

// recorder traces each pull to disk as it goes. A trace that fails does not
// stop the pull: its event then names no trace.
type recorder struct {
	journal *journal.Writer
	scaled  bool // whether rows keep the raw value
	recent  []row
	trace   *journal.TraceWriter
	err     error // why the pull in hand has no trace
}

// add takes the next row; it is on disk soon if a pull is in hand.
func (r *recorder) add(x row) {
	if r.trace != nil && r.err == nil {
		r.err = r.trace.Add(x.reading, x.raw)
	}
	r.recent = append(r.recent, x)
	old := 0
	for x.reading.At-r.recent[old].reading.At > preroll {
		old++
	}
	// Moving the rest down pays only once half of the slice is old.
	if old > 0 && 2*old >= len(r.recent) {
		r.recent = append(r.recent[:0], r.recent[old:]...)
	}
}

// start begins the trace of the pull whose start is the numbered record.
func (r *recorder) start(number uint64) error {
	r.trace, r.err = r.journal.StartTrace(number, r.scaled)
	if r.err != nil {
		r.trace = nil
		return r.err
	}
	newest := r.recent[len(r.recent)-1].reading.At
	for _, x := range r.recent {
		if newest-x.reading.At <= preroll && r.err == nil {
			r.err = r.trace.Add(x.reading, x.raw)
		}
	}
	return r.err
}

// finish seals the trace of the pull in hand; nil when there is none to trust.
func (r *recorder) finish() (*publish.Trace, error) {
	if r.trace == nil {
		return nil, r.err
	}
	sealed, err := r.trace.Close()
	if r.err != nil {
		err = r.err
	}
	r.trace, r.err = nil, nil
	if err != nil {
		return nil, err
	}
	return &sealed, nil
}
