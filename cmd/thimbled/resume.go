package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// goOn returns what the core goes on from: the last pull, the offsets, the
// job that is open with what its pulls came to, or the weighing or verification
// that is on, and the verifications that count.
func goOn(ctx context.Context, w *journal.Writer, o journal.Opened, c publish.Clock) (peak.Start, publish.Traces, error) {
	from := peak.Start{LastPull: o.LastPull, Zero: o.Zero.Value, Tare: o.Tare.Value}
	traces := publish.Traces{}
	first := max(o.OpenJob, o.Weighing, o.Session) // no two: one is not begun while another is on
	if first == 0 {
		first = w.Last() + 1
	}
	var numbers []uint64
	for _, number := range o.Verified {
		if number < first {
			numbers = append(numbers, number)
		}
	}
	for number := first; number <= w.Last(); number++ {
		numbers = append(numbers, number)
	}
	for _, number := range numbers {
		r, err := w.Next(ctx, number-1)
		if err != nil {
			return from, nil, err
		}
		e, err := publish.Decode(r.Event, c, traces)
		if errors.Is(err, publish.ErrNotDecoded) {
			continue
		}
		if err != nil {
			return from, nil, fmt.Errorf("record %d: %w", number, err)
		}
		from.Follow(e)
	}
	return from, traces, nil
}

// endInterrupted ends the pull that was in hand when the daemon died: judged from its
// trace, as far as that goes, by the same core and by what counted when it was made.
func endInterrupted(w *journal.Writer, dir string, in *journal.PullInHand, c *config.Config, log *slog.Logger) error {
	data := publish.Event{Type: peak.TypePullStarted, Data: in.Data}
	began, err := publish.Decode(data, sinceEpoch, publish.Traces{})
	if err != nil {
		return fmt.Errorf("read the start of pull %d: %w", in.Pull, err)
	}
	before, err := pastOf(context.Background(), w, w.Last()+1)
	if err != nil {
		return fmt.Errorf("read what pull %d is judged by: %w", in.Pull, err)
	}
	by := before.judgingHere(c)
	v := evidence{judgedBy: &by, started: began.(peak.PullStarted), files: w.FS()}
	v.at = v.started.StartedAt
	traces := publish.Traces{}
	got, err := w.RecoverTrace(in.Record, func(*peak.Reading, float64) {})
	switch {
	case err == nil:
		traces[in.Pull] = got.Trace
		v.trace = filepath.Join(dir, filepath.FromSlash(got.Trace.Name))
	case errors.Is(err, journal.ErrNoTrace):
		log.Warn("the interrupted pull has no trace", "pull", in.Pull)
	default:
		return fmt.Errorf("recover the trace of pull %d: %w", in.Pull, err)
	}
	j, err := v.judge()
	if err != nil {
		return err
	}
	_, err = w.Append(publish.Encode(j.ended, sinceEpoch, traces))
	return err
}
