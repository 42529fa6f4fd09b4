package main_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// testedOn is when the loft of these tests began its day.
var testedOn = time.Date(2026, 11, 23, 7, 0, 0, 0, time.UTC)

// testedItem is one test that is put on record: of two pulls, of which the first
// is repeated, when repeated is set.
type testedItem struct {
	job, item, description string
	verdict                peak.Verdict
	reasons                []peak.Reason
	kilonewtons            peak.Force
	repeated               bool
	finding                string // of an inspection; empty for none
}

var testedItems = []testedItem{
	{job: "j-1", item: "HL-0042", description: "wire rope sling, 2 m", verdict: peak.Pass, kilonewtons: 102, finding: "accepted"},
	{job: "j-2", item: "hl-0043", description: "=HYPERLINK(\"x\")\x1b[31m", verdict: peak.Exceeded, reasons: []peak.Reason{peak.AboveLimit}, kilonewtons: 116},
	{job: "j-3", item: "HL-0044", verdict: peak.Incomplete, reasons: []peak.Reason{peak.HoldNotReached}, kilonewtons: 99, finding: "rejected"},
	{job: "j-4", item: "SH-7", description: strings.Repeat("chain ", 20), verdict: peak.Pass, kilonewtons: 105, repeated: true},
}

// writeTests writes a journal with the tests, an hour apart, and leaves it open as
// a daemon does.
func writeTests(t *testing.T) (dir string) {
	t.Helper()
	dir = t.TempDir()
	w, _, err := journal.Open(dir, journal.Options{Bench: "dock-3"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.Close() })
	put := func(e peak.Event) {
		if _, err := w.Append(publish.Encode(e, publish.Clock{Epoch: testedOn}, nil)); err != nil {
			t.Fatal(err)
		}
	}
	put(peak.DaemonStarted{Version: "0.1.0", CleanBefore: true})
	for i, one := range testedItems {
		at := time.Duration(i) * time.Hour
		for _, e := range one.events(int64(10*i), at) {
			put(e)
		}
	}
	return dir
}

func (i testedItem) events(pull int64, at time.Duration) (out []peak.Event) {
	r := peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton), Hold: 3 * time.Second}
	j := peak.Job{ID: i.job, Item: i.item, Description: i.description, Operator: "A. Lind", Planned: []peak.Planned{{Label: "whole item", Requirement: r}}}
	end := peak.TestEnded{At: at, Job: j, Verdict: i.verdict, Reasons: i.reasons}
	made := []peak.Attempt{{}}
	if i.repeated {
		made = []peak.Attempt{{}, {Why: "the hook slipped"}}
	}
	for k, a := range made {
		a.Ended = peak.PullEnded{
			Pull: pull + int64(k) + 1, StartedAt: at, DecidedAt: at, Peak: peak.Known((i.kilonewtons - peak.Force(2*k)) * peak.Kilonewton),
			Requirement: peak.Known(r), Hold: peak.Hold{For: 3*time.Second + 9*time.Millisecond}, Verdict: i.verdict, Reasons: i.reasons,
			Job: i.job, Label: "whole item",
		}
		out = append(out, peak.PullStarted{Pull: a.Ended.Pull, StartedAt: at, Job: i.job, Requirement: peak.Known(r)}, a.Ended)
		end.Attempts = append(end.Attempts, a)
	}
	out = append(out, end)
	if i.finding != "" {
		out = append(out, peak.ItemInspected{
			At: at, Job: i.job, Item: i.item, Inspector: "B. Ek", Accepted: i.finding == "accepted", Examined: "splices", By: "A. Lind",
		})
	}
	return out
}

func TestTestsForPeople(t *testing.T) {
	dir := writeTests(t)
	status, out, errs := call(t, "tests", dir)
	if status != 0 || errs != "" {
		t.Fatalf("status %d: %s", status, errs)
	}
	// The times are shown where the reader is.
	at := func(hour int) string {
		return testedOn.Add(time.Duration(hour) * time.Hour).Local().Format("2006-01-02 15:04")
	}
	want := strings.Join([]string{
		"ENDED             ITEM     VERDICT     REQUIRED kN           PEAK kN  HOLD s  INSPECTION         JOB  DESCRIPTION",
		at(3) + "  SH-7     pass             100.00  103.00 to 105.00    3.00  none               j-4  chain chain chain chain chain chain cha…",
		at(2) + "  HL-0044  incomplete       100.00             99.00    3.00  rejected by B. Ek  j-3",
		at(1) + "  hl-0043  exceeded         100.00            116.00    3.00  none               j-2  =HYPERLINK(\"x\") [31m",
		at(0) + "  HL-0042  pass             100.00            102.00    3.00  accepted by B. Ek  j-1  wire rope sling, 2 m", "",
	}, "\n")
	if out != want {
		t.Errorf("got\n%s\nwant\n%s", out, want)
	}
}

func TestTestsQueries(t *testing.T) {
	dir := writeTests(t)
	for _, c := range []struct{ args, want string }{
		{"DIR", "j-4 j-3 j-2 j-1"},
		{"DIR --limit 2", "j-4 j-3"},
		{"--limit 2 DIR", "j-4 j-3"},
		{"--item HL-0043 DIR", "j-2"},
		{"DIR --item=hl-004*", "j-3 j-2 j-1"},
		{"--verdict pass DIR --limit 1", "j-4"},
		{"--verdict Pass --item hl* DIR", "j-1"},
		{"DIR --since 2026-11-23T09:00:00Z", "j-4 j-3"},
		{"DIR --since 2026-11-23T08:00:00Z --until 2026-11-23T09:00:00Z", "j-2"},
		{"DIR --since 2026-11-20 --until 2026-11-25", "j-4 j-3 j-2 j-1"},
		{"DIR --until 2026-11-20", ""},
		{"DIR --since 0d --until 100000w", ""},
		{"DIR --until 10w --item none", ""},
	} {
		args := strings.Fields(strings.Replace(c.args, "DIR", dir, 1))
		status, out, errs := call(t, append([]string{"tests", "--csv"}, args...)...)
		if status != 0 || errs != "" {
			t.Errorf("%s: status %d: %s", c.args, status, errs)
			continue
		}
		rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		var jobs []string
		for _, row := range rows[1:] {
			jobs = append(jobs, row[slices.Index(rows[0], "job")])
		}
		if got := strings.Join(jobs, " "); got != c.want {
			t.Errorf("%s: got %q, want %q", c.args, got, c.want)
		}
	}
}

// TestTestsByJQ: the figures are those that jq finds in the journal.
func TestTestsByJQ(t *testing.T) {
	if _, err := exec.LookPath("jq"); err != nil {
		t.Skip("jq is not installed (Debian: apt-get install jq)")
	}
	dir := writeTests(t)
	status, out, errs := call(t, "tests", "--json", dir)
	if status != 0 || errs != "" {
		t.Fatalf("status %d: %s", status, errs)
	}
	const fields = `[.job, .item, .description, .verdict, .reasons]`
	segments, err := filepath.Glob(filepath.Join(dir, "*.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	want := jq(t, "", append([]string{`map(select(.type == "thimbled.test.ended")) | reverse | map([(.id | split("-")[-1] | tonumber), .time] + (.data | ` +
		fields + ` + [[.attempts[] | [.pull, .peak_newtons, .hold_seconds, .required_newtons, .repeated_because]]]))`}, segments...)...)
	got := jq(t, out, `.[].tests | map([.record, .ended_at] + `+fields+` + [[.pulls[] | [.pull, .peak_newtons, .hold_seconds, .required_newtons, .repeated_because]]])`)
	if got != want || !strings.Contains(want, "j-4") {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if total := jq(t, out, `.[].total`); total != "4" {
		t.Errorf("the total is %s, want 4", total)
	}
}

// jq runs a filter over values, read into one list.
func jq(t *testing.T, in string, args ...string) string {
	t.Helper()
	c := exec.Command("jq", append([]string{"--slurp", "--compact-output"}, args...)...)
	c.Stdin = strings.NewReader(in)
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("jq %q: %v\n%s", args, err, out)
	}
	return strings.TrimSpace(string(out))
}

func TestTestsFindsNone(t *testing.T) {
	dir := writeTests(t)
	for args, want := range map[string]string{"": "No test was found.\n", "--json": `{"tests":[],"total":0}` + "\n"} {
		status, out, errs := call(t, append([]string{"tests", dir, "--item", "none"}, strings.Fields(args)...)...)
		if status != 0 || out != want || errs != "" {
			t.Errorf("%s: status %d, %q, %q", args, status, out, errs)
		}
	}
	if _, out, _ := call(t, "tests", dir, "--limit", "3"); !strings.HasSuffix(out, "These are the newest 3 of 4 tests.\n") {
		t.Errorf("got %s", out)
	}
}

func TestTestsRefuses(t *testing.T) {
	dir, empty := writeTests(t), t.TempDir()
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{nil, 2, "need one folder"},
		{[]string{dir, empty}, 2, "need one folder"},
		{[]string{dir, "--limit", "-1"}, 2, "--limit must not be negative"},
		{[]string{dir, "--limit", "many"}, 2, "-limit"},
		{[]string{dir, "--json", "--csv"}, 2, "exclude each other"},
		{[]string{dir, "--since", "noon"}, 2, `"noon" is no time`},
		{[]string{"--until", "32 x", dir}, 2, `"32 x" is no time`},
		{[]string{"--verdict", "good", dir}, 2, "one of pass, review"},
		{[]string{"--tag", "x", dir}, 2, "not defined: -tag"},
		{[]string{empty}, 2, "there is no journal"},
		{[]string{filepath.Join(empty, "none")}, 74, "no such file"},
	} {
		status, out, errs := call(t, append([]string{"tests"}, c.args...)...)
		if status != c.status || out != "" || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%q: status %d, %q, %q, want %d and one line that says %q", c.args, status, out, errs, c.status, c.says)
		}
	}
}

// TestTestsOfADamagedJournal: what is before the damage is found, and that
// something is missing is told.
func TestTestsOfADamagedJournal(t *testing.T) {
	dir := writeTests(t)
	segment := filepath.Join(dir, "000000000001.jsonl")
	text, err := os.ReadFile(segment)
	if err != nil {
		t.Fatal(err)
	}
	at := strings.Index(string(text), `"item":"HL-0044"`) // the third of four
	text[at+10] = 'X'
	if err := os.WriteFile(segment, text, 0o640); err != nil {
		t.Fatal(err)
	}
	status, out, errs := call(t, "tests", "--json", dir)
	var answer struct {
		Total int `json:"total"`
	}
	if err := json.Unmarshal([]byte(out), &answer); err != nil || status != 74 || answer.Total != 2 {
		t.Errorf("status %d, %d tests, %v", status, answer.Total, err)
	}
	if !strings.Contains(errs, "tests of later records are missing: read journal") || strings.Count(errs, "\n") != 1 {
		t.Errorf("it says %q", errs)
	}
}

// TestTestsLeavesOutWhatItCannotRead: a sound record that means nothing is told
// of too.
func TestTestsLeavesOutWhatItCannotRead(t *testing.T) {
	dir := t.TempDir()
	w, _, err := journal.Open(dir, journal.Options{Bench: "dock-3"})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	for _, e := range append(testedItems[0].events(1, 0), testedItems[1].events(2, 0)...) {
		if _, err := w.Append(publish.Encode(e, publish.Clock{Epoch: testedOn}, nil)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Append(publish.Event{Type: peak.TypeTestEnded, Time: testedOn, Data: json.RawMessage(`{"job":7}`)}); err != nil {
		t.Fatal(err)
	}
	status, out, errs := call(t, "tests", "--csv", dir)
	if status != 74 || strings.Count(out, "\r\n") != 3 || !strings.Contains(errs, "index record 8 (thimbled.test.ended)") {
		t.Errorf("status %d, %q, %q", status, out, errs)
	}
}
