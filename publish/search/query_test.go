package search_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish/search"
)

// threeTests are of the items HL-0042, hl-0043 and Straße-1, an hour apart.
func threeTests(t *testing.T) *search.Index {
	return indexOf(t, records(slices.Concat(
		testOf(jobOf("a", "HL-0042"), 1, 0, peak.Pass),
		testOf(jobOf("b", " hl-0043 "), 2, time.Hour, peak.Incomplete, peak.HoldNotReached),
		testOf(jobOf("c", "Straße-1"), 3, 2*time.Hour, peak.Pass),
	)...)...)
}

func jobs(tests []search.Test) string {
	var out []string
	for _, t := range tests {
		out = append(out, t.Job)
	}
	return strings.Join(out, " ")
}

func TestFind(t *testing.T) {
	x := threeTests(t)
	ended := func(hours int) time.Time { return opened.Add(time.Duration(hours)*time.Hour + 10*time.Second) }
	for name, c := range map[string]struct {
		query search.Query
		want  string
		total int
	}{
		"all, newest first":           {search.Query{}, "c b a", 3},
		"limit":                       {search.Query{Limit: 2}, "c b", 3},
		"limit above":                 {search.Query{Limit: 9}, "c b a", 3},
		"tag":                         {search.Query{Item: "HL-0042"}, "a", 1},
		"other case":                  {search.Query{Item: "hl-0042"}, "a", 1},
		"blanks around":               {search.Query{Item: " HL-0043\t"}, "b", 1},
		"other alphabet's case":       {search.Query{Item: "STRASSE-1"}, "", 0},
		"other case of the same sign": {search.Query{Item: "straße-1"}, "c", 1},
		"part of a tag":               {search.Query{Item: "HL-004"}, "", 0},
		"prefix":                      {search.Query{Item: "hl-004*"}, "b a", 2},
		"prefix is the whole":         {search.Query{Item: "HL-0042*"}, "a", 1},
		"prefix of all":               {search.Query{Item: "*"}, "c b a", 3},
		"star in the middle":          {search.Query{Item: "HL*42"}, "", 0},
		"verdict":                     {search.Query{Verdict: peak.Pass}, "c a", 2},
		"verdict of none":             {search.Query{Verdict: peak.Void}, "", 0},
		"since, included":             {search.Query{Since: ended(1)}, "c b", 2},
		"since, just after":           {search.Query{Since: ended(1).Add(1)}, "c", 1},
		"until, not included":         {search.Query{Until: ended(1)}, "a", 1},
		"until, just after":           {search.Query{Until: ended(1).Add(1)}, "b a", 2},
		"since and until":             {search.Query{Since: ended(1), Until: ended(2)}, "b", 1},
		"all at once":                 {search.Query{Item: "hl*", Since: ended(0), Until: ended(9), Verdict: peak.Pass, Limit: 5}, "a", 1},
	} {
		tests, total, _ := x.Find(c.query)
		if jobs(tests) != c.want || total != c.total {
			t.Errorf("%s: got %q of %d, want %q of %d", name, jobs(tests), total, c.want, c.total)
		}
	}
}

// TestNewestIsByRecord: a clock that was set back does not change the order.
func TestNewestIsByRecord(t *testing.T) {
	x := indexOf(t, records(slices.Concat(
		testOf(jobOf("a", "HL-1"), 1, 5*time.Hour, peak.Pass), testOf(jobOf("b", "HL-1"), 2, time.Hour, peak.Pass))...)...)
	if tests, _, _ := x.Find(search.Query{Item: "HL-1"}); jobs(tests) != "b a" {
		t.Errorf("got %q, want b a", jobs(tests))
	}
	if tests, _, _ := x.Find(search.Query{Since: opened.Add(4 * time.Hour)}); jobs(tests) != "a" {
		t.Errorf("got %q, want a", jobs(tests))
	}
}

func TestFindIsNotChangedLater(t *testing.T) {
	all := records(append(testOf(jobOf("a", "HL-1"), 1, 0, peak.Pass), inspectionOf(jobOf("a", "HL-1"), time.Hour, "B. Ek", true))...)
	x := indexOf(t, all[:4]...)
	before, _, _ := x.Find(search.Query{})
	if err := x.Add(all[4]); err != nil {
		t.Fatal(err)
	}
	if before[0].Inspection != nil || before[0].Inspections != 0 {
		t.Errorf("an answer changed after it was given: %+v", before[0])
	}
}

func TestParseVerdict(t *testing.T) {
	for in, want := range map[string]peak.Verdict{"pass": peak.Pass, " Review ": peak.Review, "VOID": peak.Void, "failed": peak.Failed} {
		if got, err := search.ParseVerdict(in); err != nil || got != want {
			t.Errorf("%q gave %q, %v", in, got, err)
		}
	}
	for _, in := range []string{"", "passed", "unassigned", "pass,void"} {
		if _, err := search.ParseVerdict(in); err == nil || !strings.Contains(err.Error(), "pass, review, incomplete, void, exceeded, failed") {
			t.Errorf("%q gave %v", in, err)
		}
	}
}

func TestMoments(t *testing.T) {
	zone := time.FixedZone("loft", 2*3600)
	now := time.Date(2026, 11, 25, 10, 30, 0, 5, zone)
	at := func(y int, m time.Month, d, h, min int) time.Time { return time.Date(y, m, d, h, min, 0, 0, zone) }
	for in, want := range map[string][2]time.Time{
		"2026-11-01":                {at(2026, 11, 1, 0, 0), at(2026, 11, 2, 0, 0)},
		" 2026-12-31 ":              {at(2026, 12, 31, 0, 0), at(2027, 1, 1, 0, 0)},
		"2026-11-01T08:15:00Z":      {at(2026, 11, 1, 10, 15), at(2026, 11, 1, 10, 15)},
		"2026-11-01T08:15:00+02:00": {at(2026, 11, 1, 8, 15), at(2026, 11, 1, 8, 15)},
		"2026-11-01T08:15:00.5Z":    {at(2026, 11, 1, 10, 15).Add(time.Second / 2), at(2026, 11, 1, 10, 15).Add(time.Second / 2)},
		"30d":                       {at(2026, 10, 26, 10, 30).Add(5), at(2026, 10, 26, 10, 30).Add(5)},
		"1 d":                       {at(2026, 11, 24, 10, 30).Add(5), at(2026, 11, 24, 10, 30).Add(5)},
		"0d":                        {now, now},
		"2w":                        {at(2026, 11, 11, 10, 30).Add(5), at(2026, 11, 11, 10, 30).Add(5)},
		"36h":                       {at(2026, 11, 23, 22, 30).Add(5), at(2026, 11, 23, 22, 30).Add(5)},
		"1 h 30 m":                  {at(2026, 11, 25, 9, 0).Add(5), at(2026, 11, 25, 9, 0).Add(5)},
	} {
		since, err := search.ParseSince(in, now)
		until, err2 := search.ParseUntil(in, now)
		if err != nil || err2 != nil || !since.Equal(want[0]) || !until.Equal(want[1]) {
			t.Errorf("%q gave %v to %v (%v, %v), want %v to %v", in, since, until, err, err2, want[0], want[1])
		}
	}
	for _, in := range []string{"", "today", "2026-13-01", "2026-02-30", "1.11.2026", "-3d", "d", "3", "30D", "-5h", "9999999d", "99999999999999999999d", "2026-11-01T08:15:00"} {
		if at, err := search.ParseSince(in, now); err == nil || !strings.Contains(err.Error(), "2026-11-01") {
			t.Errorf("%q gave %v, %v", in, at, err)
		}
		if _, err := search.ParseUntil(in, now); err == nil {
			t.Errorf("%q is taken as an end", in)
		}
	}
}

// TestDaysOfTheCalendar: a span of days keeps the time of day over the end of
// summer time (in the zone of Berlin on 25 October 2026, tz database).
func TestDaysOfTheCalendar(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones here: install tzdata")
	}
	now := time.Date(2026, 10, 26, 9, 0, 0, 0, zone)
	if got, err := search.ParseSince("2d", now); err != nil || !got.Equal(time.Date(2026, 10, 24, 9, 0, 0, 0, zone)) {
		t.Errorf("got %v, %v", got, err)
	}
	got, err := search.ParseUntil("2026-10-25", now)
	if err != nil || got.Sub(time.Date(2026, 10, 25, 0, 0, 0, 0, zone)) != 25*time.Hour {
		t.Errorf("the longest day ends at %v, %v", got, err)
	}
}
