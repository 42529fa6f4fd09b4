package search_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/search"
)

// kinds are the types that an index reads, and one that it does not.
var kinds = []string{
	peak.TypePullStarted, peak.TypePullEnded, peak.TypePullAssigned, peak.TypeTestEnded, peak.TypeItemInspected, peak.TypeZeroSet,
}

// FuzzAdd: no record stops the index, and whatever it took it can give as JSON
// and CSV.
func FuzzAdd(f *testing.F) {
	for r := range years(6, 20) {
		f.Add(byte(kindOf(r.Type)), []byte(r.Data), int64(r.Time.Sub(opened)))
	}
	f.Add(byte(3), []byte(`{"job":"j","verdict":"=x","item":"\u0000","planned":[{}],"attempts":[{"pull":1},{"pull":1}],"reasons":[""]}`), int64(-1<<62))
	f.Fuzz(func(t *testing.T, kind byte, data []byte, at int64) {
		var c clerk
		x := indexOf(t, records(testOf(jobOf("j-000001", "HL-1"), 1, 0, peak.Pass)...)...)
		c.last = x.Last()
		r := c.record(publish.Event{Type: kinds[int(kind)%len(kinds)], Time: opened.Add(time.Duration(at)), Data: json.RawMessage(data)})
		err := x.Add(r)
		if (err == nil) != (x.Trouble() == nil) || x.Last() != r.Number {
			t.Fatalf("the error is %v, the trouble %v, the last record %d", err, x.Trouble(), x.Last())
		}
		tests, total, _ := x.Find(search.Query{})
		if len(tests) != total || total < 1 || total > 2 {
			t.Fatalf("%d tests of %d", len(tests), total)
		}
		var out bytes.Buffer
		if err := search.WriteJSON(&out, tests, total); err != nil || !json.Valid(out.Bytes()) {
			t.Fatalf("no JSON: %v", err)
		}
		if _, err := json.Marshal(x.Unassigned()); err != nil {
			t.Fatal(err)
		}
		checkCSV(t, tests)
	})
}

func kindOf(name string) int {
	for i, k := range kinds {
		if k == name {
			return i
		}
	}
	return len(kinds) - 1
}

// checkCSV checks that no text begins like a formula.
func checkCSV(t *testing.T, tests []search.Test) {
	var out bytes.Buffer
	if err := search.WriteCSV(&out, tests); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(rows) != len(tests)+1 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		for i, cell := range row {
			if number := strings.HasSuffix(rows[0][i], "_newtons") || strings.HasSuffix(rows[0][i], "_seconds"); !number && startsFormula(cell) {
				t.Fatalf("%s is %q", rows[0][i], cell)
			}
		}
	}
}

func startsFormula(cell string) bool {
	for line := range strings.SplitSeq(cell, "\n") {
		if line = strings.TrimLeft(line, " \u00a0"); line != "" && strings.ContainsAny(line[:1], "=+-@\t\r") {
			return true
		}
	}
	return false
}

func FuzzParseQuery(f *testing.F) {
	for _, body := range []string{
		``, `{}`, `{"item":"HL-*","since":"2026-11-01","until":"30d","verdict":"pass","limit":5}`, `{"since":"2026-11-01T08:00:00Z"}`,
		`{"until":"1h30m"}`, `{"limit":1e9}`, `{"until":"1000000w"}`, `nul`,
	} {
		f.Add([]byte(body))
	}
	x := search.New()
	fill(f, x, 8, 10)
	f.Fuzz(func(t *testing.T, body []byte) {
		q, err := search.ParseQuery(body)
		var refusal *publish.Refusal
		switch {
		case err != nil && !errors.As(err, &refusal):
			t.Fatalf("%v is no refusal", err)
		case err != nil && refusal.Code != publish.BadRequest:
			t.Fatalf("%v has code %d", err, refusal.Code)
		case err == nil && (q.Limit < 1 || q.Limit > 1000):
			t.Fatalf("the limit is %d", q.Limit)
		}
		if tests, total, _ := x.Find(q); err == nil && len(tests) > min(total, q.Limit) {
			t.Fatalf("%d tests of %d, the limit is %d", len(tests), total, q.Limit)
		}
	})
}
