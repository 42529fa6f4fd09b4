package search_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/search"
)

func TestParseQuery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // so that now is known: midnight UTC, 1 January 2000
		day := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.Local) }
		for body, want := range map[string]search.Query{
			``:                   {Limit: 100},
			" \n":                {Limit: 100},
			`{}`:                 {Limit: 100},
			`{"item":"HL-*"}`:    {Item: "HL-*", Limit: 100},
			`{"verdict":"Pass"}`: {Verdict: peak.Pass, Limit: 100},
			`{"limit":1000}`:     {Limit: 1000},
			`{"limit":null}`:     {Limit: 100},
			`{"since":"30d"}`:    {Since: time.Now().AddDate(0, 0, -30), Limit: 100},
			`{"until":"90m"}`:    {Until: time.Now().Add(-90 * time.Minute), Limit: 100},
			`{"since":"","until":"","item":"","verdict":""}`: {Limit: 100},
			`{"item":"HL-1","since":"2026-11-01","until":"2026-11-30","verdict":"void","limit":1}`: {
				Item: "HL-1", Since: day(2026, 11, 1), Until: day(2026, 12, 1), Verdict: peak.Void, Limit: 1,
			},
		} {
			got, err := search.ParseQuery([]byte(body))
			if err != nil || got.Item != want.Item || !got.Since.Equal(want.Since) || !got.Until.Equal(want.Until) ||
				got.Verdict != want.Verdict || got.Limit != want.Limit {
				t.Errorf("%s gave %+v, %v, want %+v", body, got, err, want)
			}
		}
	})
}

func TestParseQueryRefuses(t *testing.T) {
	for body, says := range map[string]string{
		`{`:                     "must be JSON like",
		`[]`:                    "must be JSON like",
		`"HL-1"`:                "must be JSON like",
		`{"tag":"HL-1"}`:        `unknown field "tag"`,
		`{} {}`:                 "there is more behind it",
		`{}]`:                   "there is more behind it",
		`{"limit":"5"}`:         "must be JSON like",
		`{"limit":1.5}`:         "must be JSON like",
		`{"limit":0}`:           "limit must be 1 to 1000",
		`{"limit":-1}`:          "limit must be 1 to 1000",
		`{"limit":1001}`:        "limit must be 1 to 1000",
		`{"since":"yesterday"}`: `since: "yesterday" is no time`,
		`{"until":"30"}`:        `until: "30" is no time`,
		`{"verdict":"good"}`:    `verdict "good" is none`,
	} {
		q, err := search.ParseQuery([]byte(body))
		var refusal *publish.Refusal
		if !errors.As(err, &refusal) || refusal.Code != publish.BadRequest || !strings.Contains(refusal.Why, says) {
			t.Errorf("%s gave %+v, %v, want a refusal that says %q", body, q, err, says)
		}
	}
}

// answer is an answer as a service reads it.
type answer struct {
	Tests []struct {
		Job     string      `json:"job"`
		Record  uint64      `json:"record"`
		EndedAt string      `json:"ended_at"`
		Low     json.Number `json:"required_newtons"`
	} `json:"tests"`
	Total *int `json:"total"`
}

func ask(t *testing.T, x *search.Index, q search.Query) (answer, []byte) {
	t.Helper()
	text, err := x.Answer(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	var a answer
	if err := json.Unmarshal(text, &a); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	if a.Total == nil {
		t.Fatalf("no total in %s", text)
	}
	return a, text
}

func TestAnswer(t *testing.T) {
	x := threeTests(t)
	a, _ := ask(t, x, search.Query{Limit: 2})
	if *a.Total != 3 || len(a.Tests) != 2 || a.Tests[0].Job != "c" || a.Tests[1].Record != 8 || a.Tests[0].Low != "100000" {
		t.Errorf("got %+v", a)
	}
	if _, text := ask(t, x, search.Query{Item: "none"}); string(text) != `{"tests":[],"total":0}` {
		t.Errorf("nothing found gives %s", text)
	}
}

// TestAnswerGoesOn: with until at the last test's end, the next answer goes on
// where the one before ended.
func TestAnswerGoesOn(t *testing.T) {
	x := search.New()
	fill(t, x, 5, 50)
	_, total, _ := x.Find(search.Query{})
	seen := map[string]bool{}
	for q := (search.Query{Limit: 7}); ; {
		a, _ := ask(t, x, q)
		if len(a.Tests) == 0 {
			break
		}
		for _, test := range a.Tests {
			seen[test.Job] = true
		}
		body, err := json.Marshal(map[string]any{"until": a.Tests[len(a.Tests)-1].EndedAt, "limit": 7})
		if err != nil {
			t.Fatal(err)
		}
		if q, err = search.ParseQuery(body); err != nil {
			t.Fatal(err)
		}
	}
	if len(seen) != total {
		t.Errorf("saw %d tests, want %d", len(seen), total)
	}
}

func TestAnswerFitsAMessage(t *testing.T) {
	var c clerk
	x := search.New()
	for n := range 60 {
		j := jobOf(strings.Repeat("j", n+1), "HL-1")
		j.Description = strings.Repeat("<>&", 10_000)
		if n == 59 {
			j.Description = strings.Repeat("long", 300_000)
		}
		if err := x.Add(c.write(peak.TestEnded{At: time.Duration(n), Job: j, Verdict: peak.Pass})); err != nil {
			t.Fatal(err)
		}
	}
	a, _ := ask(t, x, search.Query{})
	if *a.Total != 60 || len(a.Tests) != 1 {
		t.Errorf("%d of %d tests behind one that is too large", len(a.Tests), *a.Total)
	}
	a, text := ask(t, x, search.Query{Until: opened.Add(59)})
	if *a.Total != 59 || len(a.Tests) < 20 || len(text) > 800<<10 {
		t.Errorf("%d of %d tests in %d bytes", len(a.Tests), *a.Total, len(text))
	}
	tests, total, _ := x.Find(search.Query{})
	var all bytes.Buffer
	if err := search.WriteJSON(&all, tests, total); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(all.Bytes(), &a); err != nil || len(a.Tests) != 60 {
		t.Errorf("all have %d tests, %v", len(a.Tests), err)
	}
}
