package certificate

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// The digest of a record is the one that the journal writes into the next.
func TestDigestsAreThoseOfTheChain(t *testing.T) {
	all := records(t)
	checked := 0
	for _, test := range []string{"j-101", "j-102", "j-103", "j-104", "j-105", "j-106", "j-107"} {
		for _, r := range evidence(t, test).Records {
			if r.Number == uint64(len(all)) {
				continue // the last one has no next
			}
			var next struct{ PreviousHash string }
			if err := json.Unmarshal(all[r.Number].Line, &next); err != nil {
				t.Fatal(err)
			}
			if r.SHA256 != next.PreviousHash {
				t.Errorf("record %d has the digest %s, the next one names %s", r.Number, r.SHA256, next.PreviousHash)
			}
			checked++
		}
	}
	if checked < 40 {
		t.Errorf("only %d records were compared", checked)
	}
}

func TestFindCollectsWhatBelongsToTheTest(t *testing.T) {
	e := evidence(t, "j-105")
	var types []string
	for _, r := range e.Records {
		types = append(types, fmt.Sprintf("%d %s", r.Number, strings.TrimPrefix(r.Type, "thimbled.")))
	}
	want := "1 daemon.started, 28 job.opened, 29 pull.started, 31 pull.ended, 32 pull.started, 33 pull.ended, 34 pull.repeated, " +
		"35 pull.started, 37 pull.ended, 38 test.ended, 39 item.inspected, 40 item.inspected"
	if got := strings.Join(types, ", "); got != want {
		t.Errorf("records are\n%s, want\n%s", got, want)
	}
	if e.Bench != "dock-3" || e.Record.Number != 38 || e.Test.Job.Item != "HL-0121" || len(e.Test.Attempts) != 3 || len(e.Traces) != 3 {
		t.Errorf("evidence of %s, record %d, item %s, %d attempts, %d traces", e.Bench, e.Record.Number, e.Test.Job.Item, len(e.Test.Attempts), len(e.Traces))
	}
	if len(e.Inspections) != 2 || e.finding() != accepted || e.Inspections[0].Accepted {
		t.Errorf("inspections %+v", e.Inspections)
	}
	if len(e.Runs) != 1 || e.Runs[0].Version != "0.1.0" || len(e.Runs[0].ConfigDigest) != 64 {
		t.Errorf("runs %+v", e.Runs)
	}
	byNumber, err := Find(sequence(records(t)), "38")
	if err != nil || byNumber.Record != e.Record || len(byNumber.Records) != len(e.Records) {
		t.Errorf("by its record: %+v, %v", byNumber, err)
	}
}

// tale makes a journal of events, one a second.
func tale(events ...peak.Event) []publish.Record {
	clock := publish.Clock{Epoch: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	var out []publish.Record
	for i, e := range events {
		number := uint64(i + 1)
		encoded := publish.Encode(e, clock, nil)
		encoded.Time = clock.Wall(time.Duration(i) * time.Second)
		line := append(publish.AppendEnvelope(nil, "dock-3", number, encoded), '}')
		out = append(out, publish.Record{
			Event: encoded, Number: number, ID: publish.ID("dock-3", number), Source: publish.Source("dock-3"), Line: line,
		})
	}
	return out
}

func started(version string) peak.Event { return peak.DaemonStarted{Version: version} }

func jobNamed(id, item string) peak.Job {
	return peak.Job{ID: id, Item: item, Planned: []peak.Planned{{Label: "whole"}}}
}

func ended(id, item string, pulls ...int64) peak.Event {
	e := peak.TestEnded{Job: jobNamed(id, item), Verdict: peak.Pass}
	for _, p := range pulls {
		e.Attempts = append(e.Attempts, peak.Attempt{Ended: peak.PullEnded{Pull: p}})
	}
	return e
}

func inspected(id, inspector string) peak.Event {
	return peak.ItemInspected{Job: id, Inspector: inspector, Accepted: true, Examined: "all"}
}

func numbers(e *Evidence) []uint64 {
	var out []uint64
	for _, r := range e.Records {
		out = append(out, r.Number)
	}
	return out
}

// A job's id may come again: each test has its own inspections, and the last test
// is meant unless a record is named.
func TestFindTellsTestsOfOneJobApart(t *testing.T) {
	all := tale(
		started("1"), peak.JobOpened{Job: jobNamed("7", "A")}, ended("7", "A"), inspected("7", "first"), // 1 to 4
		peak.JobOpened{Job: jobNamed("7", "B")}, ended("7", "B"), inspected("8", "another"), inspected("7", "second"), // 5 to 8
		peak.JobOpened{Job: jobNamed("8", "C")}, ended("8", "C"), inspected("7", "late")) // 9 to 11
	for test, want := range map[string]struct {
		item    string
		records []uint64
	}{
		"7":  {"B", []uint64{1, 5, 6, 8, 11}},
		"3":  {"A", []uint64{1, 2, 3, 4}},
		"6":  {"B", []uint64{1, 5, 6, 8, 11}},
		"8":  {"C", []uint64{1, 9, 10}},
		"10": {"C", []uint64{1, 9, 10}},
	} {
		e, err := Find(sequence(all), test)
		if err != nil {
			t.Fatal(err)
		}
		if e.Test.Job.Item != want.item || !slices.Equal(numbers(e), want.records) {
			t.Errorf("test %s is that of item %s with records %v, want %+v", test, e.Test.Job.Item, numbers(e), want)
		}
	}
}

// A job may outlast a run of the daemon, and a pull may be older than its job.
func TestFindNamesEveryRun(t *testing.T) {
	all := tale(
		started("1"), started("2"), peak.PullStarted{Pull: 1}, peak.PullEnded{Pull: 1}, // 1 to 4
		started("3"), peak.JobOpened{Job: jobNamed("a", "A")}, peak.PullAssigned{Ended: peak.PullEnded{Pull: 1}}, // 5 to 7
		started("4"), peak.PullStarted{Pull: 2}, peak.PullEnded{Pull: 2}, ended("a", "A", 1, 2), started("5")) // 8 to 12
	e, err := Find(sequence(all), "a")
	if err != nil {
		t.Fatal(err)
	}
	if want := []uint64{2, 3, 4, 5, 6, 7, 8, 9, 10, 11}; !slices.Equal(numbers(e), want) {
		t.Errorf("records %v, want %v", numbers(e), want)
	}
	var versions []string
	for _, r := range e.Runs {
		versions = append(versions, r.Version)
	}
	if !slices.Equal(versions, []string{"2", "3", "4"}) {
		t.Errorf("runs %v", versions)
	}
	if e.madeWith("") != true || e.madeWith("x") {
		t.Error("the digests of the runs are not compared")
	}
}

func TestFindSaysWhichTestsThereAre(t *testing.T) {
	var events []peak.Event
	for i := range 25 {
		events = append(events, ended(fmt.Sprintf("j-%02d", i), "item\n\u202eA"))
	}
	events = append(events, peak.JobOpened{Job: jobNamed("open", "B")})
	var none *NotFoundError
	for test, says := range map[string]string{
		"x":    `there is no test "x"; name one by its job or by its record (the last of 25)`,
		"open": `there is no test "open": the test of that job has not ended;`,
		"26":   `there is no test "26"`,
		"":     `there is no test ""`,
	} {
		_, err := Find(sequence(tale(events...)), test)
		if !errors.As(err, &none) || !strings.HasPrefix(err.Error(), says) {
			t.Fatalf("test %q: %v", test, err)
		}
		if lines := strings.Split(err.Error(), "\n"); len(lines) != 21 || strings.Join(strings.Fields(lines[20]), " ") != "record 25 job j-24 item item A pass 2026-03-02 08:00:24 UTC" {
			t.Errorf("the last of %d lines is %q", len(lines), lines[len(lines)-1])
		}
	}
	if _, err := Find(sequence(nil), "x"); !errors.As(err, &none) || err.Error() != `there is no test "x"; the journal has none` {
		t.Errorf("an empty journal: %v", err)
	}
	cancelled := append(events, peak.JobCancelled{Job: "open"})
	if _, err := Find(sequence(tale(cancelled...)), "open"); !errors.As(err, &none) || none.Open {
		t.Errorf("a cancelled job: %v", err)
	}
}

func TestFindPassesErrorsOn(t *testing.T) {
	broken := errors.New("broken")
	_, err := Find(func(yield func(publish.Record, error) bool) { yield(publish.Record{}, broken) }, "x")
	if !errors.Is(err, broken) {
		t.Errorf("error %v", err)
	}
	all := tale(ended("a", "A", 1))
	all[0].Data = []byte(strings.Replace(string(all[0].Data), `"planned_pull":1`, `"planned_pull":2`, 1))
	if _, err := Find(sequence(all), "a"); err == nil || !strings.Contains(err.Error(), "record 1: pull 1 is planned pull 2 of 1") {
		t.Errorf("a pull that was not planned: %v", err)
	}
	for _, kind := range []string{peak.TypeDaemonStarted, peak.TypeJobOpened, peak.TypePullEnded, peak.TypeTestEnded} {
		bad := tale(started("1"))
		bad[0].Type, bad[0].Data = kind, []byte(`{"job":7,"pull":"x","version":1}`)
		if _, err := Find(sequence(bad), "a"); err == nil || !strings.HasPrefix(err.Error(), "record 1: ") {
			t.Errorf("%s that cannot be read: %v", kind, err)
		}
	}
}
