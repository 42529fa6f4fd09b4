package certificate

import (
	"errors"
	"io"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// Whatever a record and a trace say, either they are refused with an error or
// there are a page and a paper.
func FuzzCertificate(f *testing.F) {
	for _, r := range records(f) {
		if r.Type == peak.TypeTestEnded {
			f.Add([]byte(r.Data), int64(100*time.Millisecond), int64(50_000), uint8(3))
		}
	}
	f.Add([]byte(`{"job":"a","planned":[{"label":"x"}],"attempts":[{"planned_pull":1,"peak_newtons":9e15,"highest_newtons":-9e15,"trace":{}}]}`), int64(1), int64(1<<62), uint8(0))
	f.Fuzz(func(t *testing.T, data []byte, every, step int64, unit uint8) {
		at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
		record := publish.Record{
			Event: publish.Event{Type: peak.TypeTestEnded, Time: at, Data: data}, Number: 1, Source: publish.Source("dock-3"), Line: data,
		}
		e, err := Find(sequence([]publish.Record{record}), "1")
		if err != nil {
			var none *NotFoundError
			if errors.As(err, &none) {
				t.Fatalf("the record is not found: %v", err)
			}
			return
		}
		all := map[int64][]peak.Reading{}
		for _, a := range e.Test.Attempts {
			for i := range int64(20) {
				// A trace's times rise, and its forces are below 1e15 mN.
				r := peak.Reading{At: time.Duration(i * (every&(1<<50) + 1)), Force: peak.Force((i - 3) * (step % 1e13))}
				all[a.Ended.Pull] = append(all[a.Ended.Pull], r)
			}
			e.Traces[a.Ended.Pull] = publish.Trace{Name: "traces/000000000001.csv"}
		}
		o := options()
		o.Units.Force = peak.ForceUnit(unit % 12)
		c := New(e, all, o)
		if err := errors.Join(c.HTML(io.Discard), c.draw(0).pdf.Error()); err != nil {
			t.Fatal(err)
		}
	})
}
