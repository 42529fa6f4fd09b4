package metrics

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"thimbled/publish"
)

// Health serves /healthz: 200 while the loop steps and the journal can record, 503
// with the reasons, a line each, otherwise. What is lost but no fault of the
// daemon, an instrument or the broker, is listed and changes nothing.
func (m *Metrics) Health() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		faults, notes := m.look()
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		status := "ok"
		if len(faults) > 0 {
			w.WriteHeader(http.StatusServiceUnavailable)
			status = "not healthy"
		}
		lines := append(append([]string{status}, faults...), notes...)
		_, _ = io.WriteString(w, strings.Join(lines, "\n")+"\n") // the client may be gone
	})
}

// look says what is wrong with the daemon and what else a person should know.
func (m *Metrics) look() (faults, notes []string) {
	s := m.options.Snapshot()
	if s == nil {
		return []string{"loop: not started yet"}, nil
	}
	now := m.options.Now()
	if a := age(now, s.State.At); a > staleAfter {
		faults = append(faults, fmt.Sprintf("loop: last step %.1f s ago", a.Seconds()))
	}
	if s.JournalFailed != "" {
		faults = append(faults, "journal: "+oneLine(s.JournalFailed))
	}
	for _, i := range s.Instruments {
		if !up(i) {
			notes = append(notes, absent(i, now))
		}
	}
	if f := m.options.Broker; f != nil {
		if err := f(); err != nil {
			notes = append(notes, "broker: "+oneLine(err.Error()))
		}
	}
	return faults, notes
}

func absent(i publish.Instrument, now time.Duration) string {
	text := "instrument " + i.Name + ": no good reading yet"
	if i.LastGood.Known {
		text = fmt.Sprintf("instrument %s: last good reading %.1f s ago", i.Name, age(now, i.LastGood.Value).Seconds())
	}
	if i.Why != "" {
		text += ": " + oneLine(i.Why)
	}
	return text
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
