package nats

import (
	"bytes"
	"encoding/json"
	"net/url"
	"reflect"
	"strings"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"

	"thimbled/publish"
)

func TestEncodeHeader(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		// The example of the CloudEvents NATS protocol binding, section 3.1.3.2.
		{"Euro € 😀", "Euro%20%E2%82%AC%20%F0%9F%98%80"},
		// Each edge of the rule: U+0020, U+0021, U+0022, U+0025, U+007E, U+007F.
		{" ", "%20"},
		{"!", "!"},
		{`"`, "%22"},
		{"%", "%25"},
		{"100%25", "100%2525"},
		{"~", "~"},
		{"\x7f", "%7F"},
		{"\t\r\n\x00", "%09%0D%0A%00"},
		{"/bench/dock-3", "/bench/dock-3"},
		{"", ""},
	} {
		if got := encodeHeader(c.in); got != c.want {
			t.Errorf("encodeHeader(%q) = %q, want %q", c.in, got, c.want)
		}
	}
}

func FuzzEncodeHeader(f *testing.F) {
	for _, s := range []string{"", "Euro € 😀", "a b%20\"c\"", "\xff\xfe", "\x7f~!"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := encodeHeader(s)
		for _, r := range got {
			if r < 0x21 || r > 0x7E || r == '"' {
				t.Fatalf("%q has a character that must be encoded: %q", got, r)
			}
		}
		if strings.ToUpper(strings.Join(escapes(got), "")) != strings.Join(escapes(got), "") {
			t.Fatalf("%q has lower case digits", got)
		}
		// The standard library's decoder of per cent signs, as an independent reader.
		back, err := url.PathUnescape(got)
		if err != nil || back != s {
			t.Fatalf("%q decodes to %q (%v), want %q", got, back, err, s)
		}
	})
}

// escapes lists the %XY of an encoded text.
func escapes(s string) (list []string) {
	for i := 0; i+2 < len(s); i++ {
		if s[i] == '%' {
			list = append(list, s[i:i+3])
		}
	}
	return list
}

// Binary mode by the rules of the CloudEvents NATS protocol binding 1.0.3-wip,
// section 3.1: the body is the data byte for byte, each attribute is a header
// with the prefix ce-, datacontenttype among them, names in lower case.
func TestMessage(t *testing.T) {
	e := publish.Event{
		Type: "thimbled.pull.ended", Time: time.Date(2026, 11, 25, 9, 30, 0, 120_000_000, time.UTC),
		Data: json.RawMessage(`{"pull":7,"peak_newtons":100012.5}`),
	}
	line := append(publish.AppendEnvelope(nil, benchID, 42, e),
		`,"sequence":"00000000000000000042","recordedtime":"2026-11-25T09:30:00.150000000Z","previoushash":"0f","partial":false,"attempt":3,"note":"zero à 5 %","unset":null}`...)
	msg, err := message(benchID, publish.Record{Event: e, Number: 42, ID: "dock-3-42", Source: "/bench/dock-3", Line: line})
	if err != nil {
		t.Fatal(err)
	}
	if msg.Subject != "bench.dock-3.event.pull.ended" {
		t.Errorf("subject %s", msg.Subject)
	}
	if !bytes.Equal(msg.Data, e.Data) {
		t.Errorf("body %s, want %s", msg.Data, e.Data)
	}
	want := natsgo.Header{
		"ce-specversion": {"1.0"}, "ce-id": {"dock-3-42"}, "ce-source": {"/bench/dock-3"}, "ce-type": {"thimbled.pull.ended"},
		"ce-time": {"2026-11-25T09:30:00.120000000Z"}, "ce-datacontenttype": {"application/json"},
		"ce-sequence": {"00000000000000000042"}, "ce-recordedtime": {"2026-11-25T09:30:00.150000000Z"},
		"ce-previoushash": {"0f"}, "ce-partial": {"false"}, "ce-attempt": {"3"}, "ce-note": {"zero%20%C3%A0%205%20%25"},
	}
	if !reflect.DeepEqual(msg.Header, want) {
		t.Errorf("headers\n%v\nwant\n%v", msg.Header, want)
	}
}

func TestMessageWithoutStoredLine(t *testing.T) {
	e := publish.Event{Type: "thimbled.zero.set", Time: time.Unix(0, 0), Data: json.RawMessage(`{}`)}
	msg, err := message(benchID, publish.Record{Event: e, Number: 1, ID: "dock-3-1"})
	if err != nil {
		t.Fatal(err)
	}
	if msg.Subject != "bench.dock-3.event.zero.set" || msg.Header.Get("ce-id") != "dock-3-1" || string(msg.Data) != "{}" {
		t.Errorf("message %+v", msg)
	}
}

func TestMessageOfABadLine(t *testing.T) {
	for name, line := range map[string]string{
		"no JSON":              `{"id":`,
		"another record's":     `{"id":"dock-3-2","data":{}}`,
		"an object attribute":  `{"id":"dock-3-1","x":{"y":1},"data":{}}`,
		"upper case in a name": `{"id":"dock-3-1","Sequence":"1","data":{}}`,
		"a space in a name":    `{"id":"dock-3-1","a b":"1","data":{}}`,
		"a fraction attribute": `{"id":"dock-3-1","x":1.5,"data":{}}`,
	} {
		if _, err := message(benchID, publish.Record{Number: 1, Line: []byte(line)}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestRecordNumber(t *testing.T) {
	for id, want := range map[string]uint64{
		"dock-3-1": 1, "dock-3-18446744073709551615": 18446744073709551615, "dock-3-": 0, "dock-3-01": 0,
		"dock-3-+1": 0, "dock-4-1": 0, "dock-3-1a": 0, "": 0, "dock-3-18446744073709551616": 0,
	} {
		if got := recordNumber(benchID, natsgo.Header{"ce-id": {id}}); got != want {
			t.Errorf("recordNumber(%q) = %d, want %d", id, got, want)
		}
	}
}

func FuzzMessage(f *testing.F) {
	for _, s := range []string{
		`{"id":"dock-3-1","source":"/bench/dock-3","data":{"pull":1}}`, `{"id":"dock-3-1","x":true,"y":-3,"z":null}`,
		`{"id":"dock-3-01"}`, `{"id":1}`, `[]`, `{"id":"dock-3-1","A b":"\u00e9"}`, ``,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		msg, err := message(benchID, publish.Record{Number: 1, Line: line})
		if err != nil {
			return
		}
		if msg.Header.Get("ce-id") != "dock-3-1" {
			t.Fatalf("message %v of another record", msg.Header)
		}
		for name, values := range msg.Header {
			if len(values) != 1 || strings.ContainsAny(name+values[0], " \r\n\"") {
				t.Fatalf("header %q: %q", name, values)
			}
		}
	})
}
