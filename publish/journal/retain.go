package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// OldTrace is a trace that may be removed.
type OldTrace struct {
	Pull  int64
	Trace publish.Trace
}

// OldTraces returns the traces, as far as they are there, of pulls that ended before
// a time, in the order of the journal: not those whose job is open, and not those
// whose test was not inspected. Any goroutine may call it; it takes its time.
func (w *Writer) OldTraces(ctx context.Context, before time.Time) ([]OldTrace, error) {
	o := oldTraces{there: w.hasTrace, before: before, waits: map[int64]string{}}
	began, n := time.Now(), 0
	for r, err := range records(w.opts.FS, w.dir) {
		if err != nil {
			return nil, err
		}
		if err := o.take(r); err != nil {
			return nil, fmt.Errorf("read record %d: %w", r.Number, err)
		}
		if !r.Time.Before(before) && len(o.waits) == 0 {
			break // what comes is younger, and decides nothing
		}
		if n++; n%1000 == 0 {
			if err := rest(ctx, checkRest*time.Since(began)); err != nil {
				return nil, err
			}
			began = time.Now()
		}
	}
	return o.ready(), nil
}

// hasTrace says whether a trace is there.
func (w *Writer) hasTrace(name string) bool {
	f, err := w.opts.FS.OpenFile(w.path(name), os.O_RDONLY, 0)
	if err != nil {
		return false
	}
	return f.Close() == nil
}

// RemoveTrace removes the trace of a pull for good. A thimbled.trace.removed that
// names it must be durable. A trace that is not there is no error.
func (w *Writer) RemoveTrace(name string) error {
	number, ok := traceNumber(name)
	if !ok {
		return fmt.Errorf("remove trace %q: it is none", name)
	}
	if err := w.opts.FS.Remove(w.path(traceName(number))); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove trace: %w", err)
	}
	return nil
}

// oldTraces finds old traces in the records, taken in their order.
type oldTraces struct {
	there  func(name string) bool
	before time.Time
	found  []OldTrace
	// waits are the pulls found that must wait, and the job they wait for: it is
	// empty while they belong to none.
	waits map[int64]string
}

// ofJob is what is read of the records that decide on a trace.
type ofJob struct {
	Pull  int64          `json:"pull"`
	Job   string         `json:"job"`
	Trace *publish.Trace `json:"trace"`
}

func (o *oldTraces) take(r publish.Record) error {
	switch r.Type {
	case peak.TypePullEnded, peak.TypePullAssigned, peak.TypeItemInspected, peak.TypeJobCancelled:
	default:
		return nil
	}
	old := r.Type == peak.TypePullEnded && r.Time.Before(o.before)
	if !old && len(o.waits) == 0 {
		return nil
	}
	var d ofJob
	if err := json.Unmarshal(r.Data, &d); err != nil {
		return err
	}
	_, waits := o.waits[d.Pull]
	switch {
	case old && d.Trace != nil && o.there(d.Trace.Name):
		o.found = append(o.found, OldTrace{d.Pull, *d.Trace})
		o.waits[d.Pull] = d.Job
	case r.Type == peak.TypePullAssigned && waits:
		o.waits[d.Pull] = d.Job
	case r.Type == peak.TypeItemInspected || r.Type == peak.TypeJobCancelled:
		for pull, job := range o.waits {
			if job == d.Job && job != "" {
				delete(o.waits, pull)
			}
		}
	}
	return nil
}

// ready returns what need not wait for a job any more.
func (o *oldTraces) ready() []OldTrace {
	return slices.DeleteFunc(o.found, func(t OldTrace) bool { return o.waits[t.Pull] != "" })
}
