package search_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish/search"
)

// table reads what WriteCSV wrote, by the standard library's reader: a row is the
// cells by their column.
func table(t *testing.T, tests []search.Test) (header []string, rows []map[string]string) {
	t.Helper()
	var out bytes.Buffer
	if err := search.WriteCSV(&out, tests); err != nil {
		t.Fatal(err)
	}
	all, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, c := range cells {
			row[all[0][i]] = c
		}
		rows = append(rows, row)
	}
	return all[0], rows
}

func TestCSV(t *testing.T) {
	j := jobOf("j-1", "HL-0001")
	events := append(testOf(j, 1, time.Hour, peak.Incomplete, peak.HoldNotReached, peak.GapInPull), inspectionOf(j, 2*time.Hour, "B. Ek", false))
	x := indexOf(t, records(events...)...)
	tests, _, _ := x.Find(search.Query{})
	var out bytes.Buffer
	if err := search.WriteCSV(&out, tests); err != nil {
		t.Fatal(err)
	}
	want := "record,ended_at,job,item,description,kind,owner,operator,wll_newtons,rule,requirement_source,planned_pulls,required_newtons," +
		"limit_newtons,required_hold_seconds,pulls,lowest_peak_newtons,highest_peak_newtons,shortest_hold_seconds,verdict,reasons," +
		"inspection,inspector,inspected_at,inspections\r\n" +
		"4,2026-03-02T08:00:10.000000000Z,j-1,HL-0001,\"wire rope sling, 2 m\",wire rope sling,harbour loft,A. Lind,50000,loft-2," +
		"twice the WLL,1,100000,112000,3,1,102649.683,102649.683,3.600000008,incomplete,hold-not-reached gap-in-pull," +
		"rejected,B. Ek,2026-03-02T09:00:00.000000000Z,1\r\n"
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}

func TestCSVOfNothing(t *testing.T) {
	header, rows := table(t, nil)
	if len(header) != 25 || len(rows) != 0 {
		t.Errorf("got %v, %v", header, rows)
	}
	_, rows = table(t, []search.Test{{Job: "j-1"}})
	for column, cell := range rows[0] {
		if slices.Contains([]string{"wll_newtons", "required_newtons", "lowest_peak_newtons", "shortest_hold_seconds", "inspected_at"}, column) && cell != "" {
			t.Errorf("%s of a test without figures is %q", column, cell)
		}
	}
}

// TestCSVGuard: the dangerous starts are those of OWASP's page on CSV injection.
func TestCSVGuard(t *testing.T) {
	for text, want := range map[string]string{
		"":                       "",
		"HL-0042":                "HL-0042",
		"5 % = fine":             "5 % = fine",
		"a+b-c@d":                "a+b-c@d",
		"'quoted":                "'quoted",
		"=1+1":                   "'=1+1",
		"+49 40 1234":            "'+49 40 1234",
		"-12":                    "'-12",
		"-":                      "'-",
		"@sum(A1)":               "'@sum(A1)",
		"\tcmd":                  "'\tcmd",
		"\rcmd":                  "'\ncmd",
		" =1":                    "' =1",
		"\u00a0=1":               "'\u00a0=1",
		" \u00a0 \u2003+1":       "' \u00a0 \u2003+1",
		"\ufeff=1":               "'\ufeff=1",
		"\u200b\x00@a":           "'\u200b\x00@a",
		" \t":                    "' \t",
		"＝1":                     "'＝1",
		"two\n=1":                "two\n'=1",
		"two\r\n=1":              "two\n'=1",
		"two\r=1":                "two\n'=1",
		"two\n  -1\nthree\n@x":   "two\n'  -1\nthree\n'@x",
		"two\u2028=1":            "two\u2028'=1",
		"a;=1":                   "a;'=1",
		"a\t=1":                  "a\t'=1",
		"a, =1":                  "a, =1", // quoted, so that no cell begins here
		"a;b\nc":                 "a;b\nc",
		`=HYPERLINK("x","y")`:    `'=HYPERLINK("x","y")`,
		"=1\n=2":                 "'=1\n'=2",
		"\n=1":                   "\n'=1",
		"bad \xff utf8":          "bad \xff utf8",
		"\xff=1":                 "\xff=1",
		"one\n\n\n":              "one\n\n\n",
		"\"":                     "\"",
		" leading, and \"both\"": " leading, and \"both\"",
	} {
		at := time.Unix(0, 0)
		_, rows := table(t, []search.Test{{
			Job: text, Item: text, Description: text, Kind: text, Owner: text, Operator: text, Rule: text, Source: text,
			Verdict: peak.Verdict(text), Reasons: []peak.Reason{peak.Reason(text)},
			Inspection: &search.Inspection{Inspector: text, Finding: text, At: at},
		}})
		for _, column := range []string{
			"job", "item", "description", "kind", "owner", "operator", "rule", "requirement_source", "verdict", "reasons", "inspection", "inspector",
		} {
			if got := rows[0][column]; got != want {
				t.Errorf("%q as %s is %q, want %q", text, column, got, want)
			}
		}
	}
}

// TestNumbersAreNotGuarded: negative numbers stay numbers.
func TestNumbersAreNotGuarded(t *testing.T) {
	low := peak.Known[peak.Force](-1_500)
	_, rows := table(t, []search.Test{{
		WLL: low, Required: low, Limit: low, RequiredHold: -time.Second, Planned: -1, Inspections: -2,
		Pulls: []search.Pull{{Number: 1, Peak: low, Hold: -time.Millisecond}},
	}})
	for column, want := range map[string]string{
		"wll_newtons": "-1.5", "required_newtons": "-1.5", "limit_newtons": "-1.5", "required_hold_seconds": "-1", "planned_pulls": "-1",
		"lowest_peak_newtons": "-1.5", "highest_peak_newtons": "-1.5", "shortest_hold_seconds": "-0.001", "inspections": "-2",
	} {
		if got := rows[0][column]; got != want {
			t.Errorf("%s is %q, want %q", column, got, want)
		}
	}
}

// TestCSVByAnotherReader compares with the csv module of Python, which also sees
// that each line ends as RFC 4180 wants it.
func TestCSVByAnotherReader(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("no python3 here: install it to read the CSV with another reader")
	}
	x := search.New()
	fill(t, x, 4, 200)
	tests, total, _ := x.Find(search.Query{})
	tests[0].Description = "two\nlines, \"quoted\"; ümläut = fine"
	var out bytes.Buffer
	if err := search.WriteCSV(&out, tests); err != nil {
		t.Fatal(err)
	}
	command := exec.Command(python, "-c", `
import csv, io, sys
rows = list(csv.reader(io.StringIO(sys.stdin.buffer.read().decode(), newline=''), strict=True))
assert all(len(r) == len(rows[0]) for r in rows), 'ragged'
for r in rows[1:]: sys.stdout.buffer.write(('\x1f'.join(r) + '\x1e').encode())
`)
	text := out.String()
	command.Stdin = &out
	read, err := command.Output()
	if err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSuffix(string(read), "\x1e"), "\x1e")
	if len(rows) != total {
		t.Fatalf("%d rows, want %d", len(rows), total)
	}
	for i, row := range rows {
		cells := strings.Split(row, "\x1f")
		want := strings.ReplaceAll(tests[i].Description, "\n", "\r\n")
		if cells[2] != tests[i].Job || cells[4] != want || cells[19] != string(tests[i].Verdict) {
			t.Fatalf("row %d is %q, want %+v", i, cells, tests[i])
		}
	}
	if strings.Count(text, "\n") != strings.Count(text, "\r\n") || strings.Count(text, "\r\n") != total+2 {
		t.Error("not every line ends with a carriage return and a line feed")
	}
}

type brokenWriter struct{}

var errBroken = errors.New("broken")

func (brokenWriter) Write([]byte) (int, error) { return 0, errBroken }

func TestWritersReportErrors(t *testing.T) {
	tests := make([]search.Test, 100)
	if err := search.WriteCSV(brokenWriter{}, tests); !errors.Is(err, errBroken) {
		t.Errorf("CSV: got %v", err)
	}
	if err := search.WriteCSV(brokenWriter{}, nil); !errors.Is(err, errBroken) {
		t.Errorf("empty CSV: got %v", err)
	}
	if err := search.WriteJSON(brokenWriter{}, tests, 100); !errors.Is(err, errBroken) {
		t.Errorf("JSON: got %v", err)
	}
}
