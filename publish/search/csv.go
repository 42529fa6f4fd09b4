package search

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// column is one column of the CSV: text, which is guarded, or a number, which is
// not.
type column struct {
	name   string
	text   func(t *Test) string
	number func(t *Test) string
}

// columns are one row a test. Numbers are exact and empty when unknown.
var columns = []column{
	{name: "record", number: func(t *Test) string { return strconv.FormatUint(t.Record, 10) }},
	{name: "ended_at", text: func(t *Test) string { return publish.Stamp(t.EndedAt) }},
	{name: "job", text: func(t *Test) string { return t.Job }},
	{name: "item", text: func(t *Test) string { return t.Item }},
	{name: "description", text: func(t *Test) string { return t.Description }},
	{name: "kind", text: func(t *Test) string { return t.Kind }},
	{name: "owner", text: func(t *Test) string { return t.Owner }},
	{name: "operator", text: func(t *Test) string { return t.Operator }},
	{name: "wll_newtons", number: func(t *Test) string { return decimal(t.WLL) }},
	{name: "rule", text: func(t *Test) string { return t.Rule }},
	{name: "requirement_source", text: func(t *Test) string { return t.Source }},
	{name: "planned_pulls", number: func(t *Test) string { return strconv.Itoa(t.Planned) }},
	{name: "required_newtons", number: func(t *Test) string { return decimal(t.Required) }},
	{name: "limit_newtons", number: func(t *Test) string { return decimal(t.Limit) }},
	{name: "required_hold_seconds", number: func(t *Test) string { return string(peak.AppendSeconds(nil, t.RequiredHold)) }},
	{name: "pulls", text: func(t *Test) string { return pullNumbers(t.Pulls) }},
	{name: "lowest_peak_newtons", number: func(t *Test) string { return decimal(t.LowestPeak()) }},
	{name: "highest_peak_newtons", number: func(t *Test) string { return decimal(t.HighestPeak()) }},
	{name: "shortest_hold_seconds", number: func(t *Test) string { return decimalSeconds(t.ShortestHold()) }},
	{name: "verdict", text: func(t *Test) string { return string(t.Verdict) }},
	{name: "reasons", text: func(t *Test) string { return words(t.Reasons) }},
	{name: "inspection", text: func(t *Test) string { return t.inspection().Finding }},
	{name: "inspector", text: func(t *Test) string { return t.inspection().Inspector }},
	{name: "inspected_at", text: func(t *Test) string { return stampOf(t.inspection().At) }},
	{name: "inspections", number: func(t *Test) string { return strconv.Itoa(t.Inspections) }},
}

// WriteCSV writes tests as CSV (RFC 4180): a header and one row a test. It is
// safe to open in a spreadsheet: a text that one would take for a formula has an
// apostrophe in front. Numbers are exact, with the unit in their column's name.
func WriteCSV(w io.Writer, tests []Test) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := writeRows(out, tests); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func writeRows(out *csv.Writer, tests []Test) error {
	row := make([]string, len(columns))
	for i, c := range columns {
		row[i] = c.name
	}
	if err := out.Write(row); err != nil {
		return err
	}
	for k := range tests {
		for i, c := range columns {
			row[i] = c.cell(&tests[k])
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func (c column) cell(t *Test) string {
	if c.number != nil {
		return c.number(t)
	}
	return breakLines(guard(c.text(t)))
}

// breakLines makes every line break a line feed, which the writer turns into the
// one of RFC 4180: it would drop a lone carriage return.
func breakLines(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
}

func decimal(m peak.Maybe[peak.Force]) string {
	if !m.Known {
		return ""
	}
	return string(m.Value.AppendNewtons(nil))
}

func decimalSeconds(m peak.Maybe[time.Duration]) string {
	if !m.Known {
		return ""
	}
	return string(peak.AppendSeconds(nil, m.Value))
}

func pullNumbers(pulls []Pull) string {
	var out []string
	for _, p := range pulls {
		out = append(out, strconv.FormatInt(p.Number, 10))
	}
	return strings.Join(out, " ")
}

func words(reasons []peak.Reason) string {
	var out []string
	for _, r := range reasons {
		out = append(out, string(r))
	}
	return strings.Join(out, " ")
}

// inspection is the last one; without one it is empty.
func (t *Test) inspection() Inspection {
	if t.Inspection == nil {
		return Inspection{}
	}
	return *t.Inspection
}

func stampOf(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return publish.Stamp(t)
}
