package nats

import (
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	natsgo "github.com/nats-io/nats.go"

	"thimbled/publish"
)

// headerPrefix marks a CloudEvents attribute among a message's headers.
const headerPrefix = "ce-"

const (
	idHeader   = headerPrefix + "id"
	typeHeader = headerPrefix + "type"
	timeHeader = headerPrefix + "time"
)

// nameRule is that of an attribute's name (CloudEvents 1.0.2, naming convention).
var nameRule = regexp.MustCompile(`^[a-z0-9]+$`)

// message returns a record as a CloudEvents message in binary mode (CloudEvents
// NATS protocol binding 1.0.3-wip, section 3.1): the body is the data, each
// attribute of the stored line, extensions included, is a header.
func message(bench string, r publish.Record) (*natsgo.Msg, error) {
	line := r.Line
	if line == nil {
		line = append(publish.AppendEnvelope(nil, bench, r.Number, r.Event), '}')
	}
	var attributes map[string]json.RawMessage
	if err := json.Unmarshal(line, &attributes); err != nil {
		return nil, fmt.Errorf("read record %d: %w", r.Number, err)
	}
	msg := natsgo.NewMsg("bench." + bench + ".event." + strings.TrimPrefix(r.Type, "thimbled."))
	msg.Data = attributes["data"]
	delete(attributes, "data")
	for name, raw := range attributes {
		value, ok, err := attributeText(raw)
		if err == nil && !nameRule.MatchString(name) {
			err = errors.New("a name has lower case letters and digits only")
		}
		if err != nil {
			return nil, fmt.Errorf("read attribute %s of record %d: %w", name, r.Number, err)
		}
		if ok {
			msg.Header[headerPrefix+name] = []string{encodeHeader(value)}
		}
	}
	if got := recordNumber(bench, msg.Header); got != r.Number {
		return nil, fmt.Errorf("read record %d: its id is %q", r.Number, msg.Header[idHeader])
	}
	return msg, nil
}

// attributeText returns an attribute's canonical string (CloudEvents 1.0.2, type
// system). ok is false for null, which stands for an attribute that is not set.
func attributeText(raw json.RawMessage) (text string, ok bool, err error) {
	var value any
	dec := json.NewDecoder(strings.NewReader(string(raw)))
	dec.UseNumber()
	if err := dec.Decode(&value); err != nil {
		return "", false, err
	}
	switch v := value.(type) {
	case nil:
		return "", false, nil
	case string:
		return v, true, nil
	case bool:
		return strconv.FormatBool(v), true, nil
	case json.Number:
		n, err := strconv.ParseInt(v.String(), 10, 32) // CloudEvents integers have 32 bits
		return strconv.FormatInt(n, 10), err == nil, err
	}
	return "", false, fmt.Errorf("neither text, number nor boolean: %s", raw)
}

const upperHex = "0123456789ABCDEF"

// encodeHeader percent-encodes an attribute's value: the space, the double
// quote, the per cent sign and everything outside U+0021 to U+007E, as UTF-8
// (the binding's section 3.1.3.2).
func encodeHeader(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		c := s[i] // each byte of a character beyond ASCII is above 0x7E
		if c > ' ' && c < 0x7F && c != '"' && c != '%' {
			b.WriteByte(c)
			continue
		}
		b.WriteByte('%')
		b.WriteByte(upperHex[c>>4])
		b.WriteByte(upperHex[c&0xF])
	}
	return b.String()
}

// recordNumber returns the record number that a message carries in its id, or 0
// if it is no record of this bench.
func recordNumber(bench string, h natsgo.Header) uint64 {
	digits, ok := strings.CutPrefix(h.Get(idHeader), bench+"-")
	if !ok {
		return 0
	}
	n, err := strconv.ParseUint(digits, 10, 64)
	if err != nil || publish.ID(bench, n) != bench+"-"+digits { // no sign, no leading zero
		return 0
	}
	return n
}
