package main

import (
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"

	"thimbled/publish"
)

// statusAnswer is what is shown of the answer to status.
type statusAnswer struct {
	Bench    string          `json:"bench"`
	State    string          `json:"state"`
	Force    *json.Number    `json:"force_newtons"`
	Pressure *json.Number    `json:"pressure_pascals"`
	Pull     int64           `json:"pull"`
	Peak     *json.Number    `json:"peak_newtons"`
	Hold     json.Number     `json:"hold_seconds"`
	Verdict  string          `json:"verdict"`
	Ready    bool            `json:"ready"`
	Checks   []publish.Check `json:"readiness"`
}

// tellStatus shows the state and the readiness list to a person.
func tellStatus(w io.Writer, data []byte) error {
	var s statusAnswer
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	fmt.Fprintf(w, "Bench %s is %s: force %s N, pressure %s Pa.\n", s.Bench, s.State, orNone(s.Force), orNone(s.Pressure))
	if s.Pull > 0 {
		fmt.Fprintf(w, "Pull %d: peak %s N, hold %s s%s.\n", s.Pull, orNone(s.Peak), s.Hold, because(s.Verdict))
	}
	ready := "A pull made now would not count: see what is not in order."
	if s.Ready {
		ready = "A pull made now would count."
	}
	fmt.Fprintln(w, ready)
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, c := range s.Checks {
		fmt.Fprintf(table, "  %s\t%s\t%s\t%s\n", c.Title, c.State, c.Figure, c.Why)
	}
	return table.Flush()
}

func orNone(n *json.Number) string {
	if n == nil {
		return "unknown"
	}
	return n.String()
}
