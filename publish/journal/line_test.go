package journal

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"testing"
	"time"

	"thimbled/publish"
)

// A line's hashes are those of the standard library over the bytes that the
// package's description names, and its JSON has the attributes it names.
func TestLine(t *testing.T) {
	e := publish.Event{Type: "thimbled.hold.reached", Time: epoch, Data: []byte(`{"pull":7,"nested":{"a":1,"linehash":"x"},"text":"\",\"linehash\":\""}`)}
	previous := digest(bytes.Repeat([]byte("ab"), 32))
	line, hash := newHasher().appendLine(nil, bench, 12, e, epoch.Add(time.Millisecond), previous)
	body := line[:bytes.LastIndex(line, []byte(`,"linehash":`))]
	want := fmt.Sprintf(`{"specversion":"1.0","id":"dock-3-12","source":"/bench/dock-3","type":"thimbled.hold.reached","time":"2026-03-02T07:30:00.000000000Z",`+
		`"datacontenttype":"application/json","data":%s,"sequence":"000000000012","recordedtime":"2026-03-02T07:30:00.001000000Z","previoushash":"%s","linehash":"%s"}`,
		e.Data, previous[:], sha256Hex(append(bytes.Clone(body), '}')))
	if string(line) != want {
		t.Errorf("got\n%s\nwant\n%s", line, want)
	}
	if string(hash[:]) != sha256Hex(line) {
		t.Error("the hash of the line is another")
	}
	// CloudEvents 1.0.2: attribute names are lower-case letters and digits, and
	// should have no more than 20.
	var attributes map[string]any
	if err := json.Unmarshal(line, &attributes); err != nil {
		t.Fatal(err)
	}
	for name := range attributes {
		if !regexp.MustCompile(`^[a-z0-9]{1,20}$`).MatchString(name) {
			t.Errorf("attribute %q", name)
		}
	}
}

func TestDamageNamesItsPlace(t *testing.T) {
	for want, d := range map[string]Damage{
		"000000000001.jsonl line 12 (byte 8291) record 12: is torn": {File: "000000000001.jsonl", Line: 12, Offset: 8291, Record: 12, Reason: "is torn"},
		"traces/000000000005.csv record 9: is missing":              {File: "traces/000000000005.csv", Record: 9, Reason: "is missing"},
		"000000000001.jsonl: cannot be read":                        {File: "000000000001.jsonl", Reason: "cannot be read"},
	} {
		if got := d.Error(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
