package publish

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"thimbled/peak"
)

// Clock maps the core's elapsed time to wall-clock time.
type Clock struct {
	// Epoch is the wall-clock time at which the stream began.
	Epoch time.Time
}

// Wall returns the wall-clock time, in UTC, of an elapsed time.
func (c Clock) Wall(elapsed time.Duration) time.Time { return c.Epoch.Add(elapsed).UTC() }

// Stamp writes a time as RFC 3339 with nine digits of a second, UTC.
func Stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000000Z") }

// Event is an event in the encoding of the contract, not yet numbered.
type Event struct {
	Type string
	Time time.Time       // when it happened
	Data json.RawMessage // one JSON object, compact
}

// Record is one durable entry of the journal.
type Record struct {
	Event
	Number uint64 // from 1, without a gap
	ID     string // <bench id>-<number>
	Source string // /bench/<bench id>
	// Line is the entry as it is stored, without its line feed: one
	// CloudEvents JSON object.
	Line []byte
}

// Source returns the CloudEvents source of a bench.
func Source(bench string) string { return "/bench/" + bench }

// ID returns the CloudEvents id of a bench's record.
func ID(bench string, number uint64) string {
	return bench + "-" + strconv.FormatUint(number, 10)
}

// AppendEnvelope appends the event as one CloudEvents JSON object in structured
// mode, up to but without the closing brace, so that a journal can add its
// own attributes.
func AppendEnvelope(b []byte, bench string, number uint64, e Event) []byte {
	b = append(b, `{"specversion":"1.0","id":`...)
	b = appendString(b, ID(bench, number))
	b = append(b, `,"source":`...)
	b = appendString(b, Source(bench))
	b = append(b, `,"type":`...)
	b = appendString(b, e.Type)
	b = append(b, `,"time":"`...)
	b = append(b, Stamp(e.Time)...)
	b = append(b, `","datacontenttype":"application/json","data":`...)
	return append(b, e.Data...)
}

// appendString appends s as a JSON string.
func appendString(b []byte, s string) []byte { return append(b, mustMarshal(s)...) }

// Trace names the trace of a pull and its digest.
type Trace struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Traces are the traces of pulls by the pull's number.
type Traces map[int64]Trace

// Encode puts a core event into the encoding of the contract. A pull whose
// trace is not in traces, which may be nil, has none.
func Encode(e peak.Event, clock Clock, traces Traces) Event {
	return Event{Type: e.Type(), Time: clock.Wall(e.When()), Data: mustMarshal(payload(e, clock, traces))}
}

// mustMarshal encodes one of this package's own types, which always encode.
// HTML's special characters stay as they are: nothing here is put into a
// page unescaped, and people read these lines.
func mustMarshal(v any) []byte {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		panic(fmt.Sprintf("encode %T: %v", v, err))
	}
	return bytes.TrimSuffix(buf.Bytes(), []byte("\n"))
}
