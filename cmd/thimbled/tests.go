package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"thimbled/peak"
	"thimbled/publish/journal"
	"thimbled/publish/search"
)

func testsCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "tests", "[--item TAG] [--since D] [--until D] [--verdict V] [--limit N] [--json | --csv] DIR")
	q := addQueryFlags(f, time.Now())
	asJSON := f.Bool("json", false, "answer in JSON, as the daemon does")
	asCSV := f.Bool("csv", false, "answer in CSV, one row a test")
	words, err := parseAround(f, args)
	switch {
	case err != nil:
		return err
	case len(words) != 1:
		return usagef("need one folder")
	case q.Limit < 0:
		return usagef("--limit must not be negative; 0 is no limit")
	case *asJSON && *asCSV:
		return usagef("--json and --csv exclude each other")
	}
	x, err := indexOf(words[0])
	if x == nil {
		return err
	}
	tests, total, trouble := x.Find(*q)
	err = errors.Join(err, trouble)
	switch {
	case *asJSON:
		return errors.Join(search.WriteJSON(out.out, tests, total), err)
	case *asCSV:
		return errors.Join(search.WriteCSV(out.out, tests), err)
	}
	return errors.Join(tellTests(out.out, tests, total), err)
}

// addQueryFlags adds the flags of a query; times count from now.
func addQueryFlags(f *flag.FlagSet, now time.Time) *search.Query {
	q := &search.Query{}
	f.StringVar(&q.Item, "item", "", "the item's `tag`; with a * at its end, how the tag begins")
	f.IntVar(&q.Limit, "limit", 0, "how `many` tests at most, the newest first; 0 is no limit")
	f.Func("since", "`when` the first ended: a date, a moment (RFC 3339), or how long ago, such as 30d", func(s string) (err error) {
		q.Since, err = search.ParseSince(s, now)
		return err
	})
	f.Func("until", "`when` the last ended; of a date the whole day counts", func(s string) (err error) {
		q.Until, err = search.ParseUntil(s, now)
		return err
	})
	f.Func("verdict", "the test's `verdict`", func(s string) (err error) {
		q.Verdict, err = search.ParseVerdict(s)
		return err
	})
	return q
}

// parseAround parses flags before, between and behind the other words, which it
// returns.
func parseAround(f *flag.FlagSet, args []string) (words []string, err error) {
	for {
		if err := parse(f, args); err != nil {
			return nil, err
		}
		if f.NArg() == 0 {
			return words, nil
		}
		words = append(words, f.Arg(0))
		args = f.Args()[1:]
	}
}

// indexOf indexes the journal in a folder. If there is an error beside the index,
// the index is good for the records before.
func indexOf(dir string) (*search.Index, error) {
	x := search.New()
	var trouble error
	for r, err := range journal.Records(dir) {
		if err != nil {
			trouble = fmt.Errorf("tests of later records are missing: %w", err)
			break
		}
		if err := x.Add(r); errors.Is(err, search.ErrOrder) {
			return nil, err
		}
	}
	switch {
	case x.Last() == 0 && trouble != nil:
		return nil, errors.Unwrap(trouble)
	case x.Last() == 0:
		return nil, usageError{fmt.Errorf("read %s: %w", dir, journal.ErrNoJournal)}
	case trouble == nil:
		trouble = x.Trouble()
	}
	return x, trouble
}

// tellTests shows tests to a person as a table.
func tellTests(w io.Writer, tests []search.Test, total int) error {
	out := bufio.NewWriter(w)
	if total == 0 {
		fmt.Fprintln(out, "No test was found.")
		return out.Flush()
	}
	rows := [][]string{{"ENDED", "ITEM", "VERDICT", "REQUIRED kN", "PEAK kN", "HOLD s", "INSPECTION", "JOB", "DESCRIPTION"}}
	for i := range tests {
		rows = append(rows, rowOf(&tests[i]))
	}
	writeTable(out, rows, func(column int) bool { return 3 <= column && column <= 5 })
	if len(tests) < total {
		fmt.Fprintf(out, "These are the newest %d of %d tests.\n", len(tests), total)
	}
	return out.Flush()
}

func rowOf(t *search.Test) []string {
	hold := ""
	if h := t.ShortestHold(); h.Known {
		hold = fmt.Sprintf("%.2f", h.Value.Truncate(10*time.Millisecond).Seconds()) // never longer than it was
	}
	return []string{
		t.EndedAt.Local().Format("2006-01-02 15:04"), legible(t.Item), legible(string(t.Verdict)), kilonewtons(t.Required),
		peaks(t), hold, inspectionOf(t), legible(t.Job), legible(t.Description),
	}
}

// peaks are the lowest and the highest peak, once if they look alike.
func peaks(t *search.Test) string {
	low, high := kilonewtons(t.LowestPeak()), kilonewtons(t.HighestPeak())
	if low == high {
		return low
	}
	return low + " to " + high
}

func kilonewtons(f peak.Maybe[peak.Force]) string {
	if !f.Known {
		return ""
	}
	return peak.UnitKN.Number(f.Value, 2)
}

func inspectionOf(t *search.Test) string {
	if t.Inspection == nil {
		return "none"
	}
	return t.Inspection.Finding + " by " + legible(t.Inspection.Inspector)
}

// mostShown bounds a text in a table.
const mostShown = 40

// legible makes one short line of a text: a terminal must not take it for anything
// else.
func legible(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, s)
	if utf8.RuneCountInString(s) > mostShown {
		s = string([]rune(s)[:mostShown-1]) + "…"
	}
	return s
}

// writeTable writes rows with their columns aligned, some of them to the right.
func writeTable(w io.Writer, rows [][]string, right func(column int) bool) {
	widths := make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	for _, row := range rows {
		var line strings.Builder
		for i, cell := range row {
			width := widths[i]
			if !right(i) {
				width = -width
			}
			fmt.Fprintf(&line, "%*s  ", width, cell)
		}
		fmt.Fprintln(w, strings.TrimRight(line.String(), " "))
	}
}
