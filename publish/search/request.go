package search

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"thimbled/publish"
)

const (
	defaultLimit = 100
	mostTests    = 1000
	// mostAnswer bounds the tests of an answer so that a message can carry them.
	mostAnswer = 768 << 10
)

// request is a query as services write it.
type request struct {
	Item    string `json:"item"`
	Since   string `json:"since"`
	Until   string `json:"until"`
	Verdict string `json:"verdict"`
	Limit   *int   `json:"limit"`
}

const requestExample = `{"item":"HL-*","since":"2026-11-01","until":"2026-11-30","verdict":"pass","limit":20}`

// ParseQuery reads a request for tests. Each of its keys may be left out, and so
// may the whole body; without a limit it is 100, and 1000 is the highest. Times
// are as [ParseSince] and [ParseUntil] read them. An error is a
// [*publish.Refusal].
func ParseQuery(body []byte) (Query, error) {
	r, err := parseRequest(body)
	if err != nil {
		return Query{}, badRequest(fmt.Errorf("the body must be JSON like %s: %w", requestExample, err))
	}
	q, err := r.query(time.Now())
	if err != nil {
		return Query{}, badRequest(err)
	}
	return q, nil
}

func parseRequest(body []byte) (r request, err error) {
	if len(bytes.TrimSpace(body)) == 0 {
		return r, nil
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&r); err != nil {
		return r, err
	}
	if _, err := dec.Token(); err != io.EOF {
		return r, errors.New("there is more behind it")
	}
	return r, nil
}

func (r request) query(now time.Time) (q Query, err error) {
	q = Query{Item: r.Item, Limit: defaultLimit}
	if r.Since != "" {
		if q.Since, err = ParseSince(r.Since, now); err != nil {
			return q, fmt.Errorf("since: %w", err)
		}
	}
	if r.Until != "" {
		if q.Until, err = ParseUntil(r.Until, now); err != nil {
			return q, fmt.Errorf("until: %w", err)
		}
	}
	if r.Verdict != "" {
		if q.Verdict, err = ParseVerdict(r.Verdict); err != nil {
			return q, err
		}
	}
	if r.Limit != nil {
		q.Limit = *r.Limit
	}
	if q.Limit < 1 || q.Limit > mostTests {
		return q, fmt.Errorf("limit must be 1 to %d; ask again with until set to the ended_at of the last test for more", mostTests)
	}
	return q, nil
}

func badRequest(err error) error { return &publish.Refusal{Code: publish.BadRequest, Why: err.Error()} }

// Answer answers a query as JSON: the tests, newest first, and how many there are
// in all. It waits until the index has every record that was durable when it was
// asked; an error is a [*publish.Refusal]. The answer stays below 768 KiB, with
// fewer tests than the limit if need be, but with one at least.
func (x *Index) Answer(ctx context.Context, q Query) ([]byte, error) {
	if err := x.CatchUp(ctx); err != nil {
		return nil, err
	}
	tests, total, err := x.Find(q)
	if err != nil {
		return nil, &publish.Refusal{Code: publish.Internal, Why: err.Error()}
	}
	var out bytes.Buffer
	err = writeJSON(&out, tests, total, mostAnswer)
	return out.Bytes(), err
}

// WriteJSON writes tests, and how many there are in all, on a line as
// [Index.Answer] gives it, but however many there are.
func WriteJSON(w io.Writer, tests []Test, total int) error {
	b := bufio.NewWriter(w)
	if err := writeJSON(b, tests, total, math.MaxInt); err != nil {
		return err
	}
	b.WriteByte('\n')
	return b.Flush()
}

// writeJSON writes the first tests, one at least, that together have no more than
// so many bytes.
func writeJSON(w io.Writer, tests []Test, total, most int) error {
	fmt.Fprint(w, `{"tests":[`)
	size := 0
	for i, t := range tests {
		text, err := marshal(t)
		if err != nil {
			return fmt.Errorf("encode test of record %d: %w", t.Record, err)
		}
		if size += len(text) + len(","); i > 0 && size > most {
			break
		}
		if i > 0 {
			fmt.Fprint(w, ",")
		}
		w.Write(text)
	}
	_, err := fmt.Fprintf(w, `],"total":%d}`, total)
	return err
}
