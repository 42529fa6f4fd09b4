package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"strconv"
	"time"

	"thimbled/publish"
)

// The fixed parts of a line. The last attributes have fixed lengths, so a line
// is taken apart from both ends and the data between them is never searched.
const (
	opening      = `{"specversion":"1.0","id":"`
	sourceMember = `","source":"/bench/`
	typeMember   = `","type":"`
	timeMember   = `","time":"`
	dataMember   = `","datacontenttype":"application/json","data":`

	sequenceMember = `,"sequence":"`
	recordedMember = `","recordedtime":"`
	previousMember = `","previoushash":"`
	hashMember     = `,"linehash":"`
	closing        = `"}`

	sequenceDigits = 12
	stampLength    = len("2006-01-02T15:04:05.000000000Z")
	hexLength      = 2 * sha256.Size

	bodyTail = len(sequenceMember) + sequenceDigits + len(recordedMember) + stampLength + len(previousMember) + hexLength + len(`"`)
	hashTail = len(hashMember) + hexLength + len(closing)

	// maxLine is the longest line there can be, with its line feed. A longer
	// one is damage; an event that would make one is refused.
	maxLine = 256 << 10
	// maxNumber is the highest record number that twelve digits hold.
	maxNumber = 999_999_999_999
)

// digest is a SHA-256 in hex.
type digest [hexLength]byte

// noLine is the digest that the first record names as the line before.
var noLine = digest(bytes.Repeat([]byte("0"), hexLength))

// entry is a line taken apart. Its slices point into the line.
type entry struct {
	line     []byte
	bench    []byte
	kind     []byte // the type of the event
	time     []byte
	data     []byte
	recorded []byte
	previous []byte // the hash of the line before, as this line names it
	number   uint64
	hash     digest // of this whole line
}

// Why a line is not what was written.
var (
	errLayout     = errors.New("is not a line of a journal")
	errLineHash   = errors.New("does not agree with its line hash")
	errLineEnd    = errors.New("has no line feed at its end")
	errLineLength = fmt.Errorf("is longer than %d bytes", maxLine)
)

// hasher computes the two hashes of a line in one pass over it.
type hasher struct {
	whole, part hash.Hash
	state, sum  []byte
}

func newHasher() *hasher { return &hasher{whole: sha256.New(), part: sha256.New()} }

// body starts the hashing of a line with everything before its line hash and
// returns that hash.
func (h *hasher) body(b []byte) digest {
	h.whole.Reset()
	h.whole.Write(b)
	// The state of the standard library's SHA-256 always encodes and decodes.
	h.state, _ = h.whole.(encoding.BinaryAppender).AppendBinary(h.state[:0])
	_ = h.part.(encoding.BinaryUnmarshaler).UnmarshalBinary(h.state)
	h.part.Write([]byte("}"))
	return h.finish(h.part)
}

// rest ends the hashing of a line and returns the hash of the whole.
func (h *hasher) rest(b []byte) digest {
	h.whole.Write(b)
	return h.finish(h.whole)
}

func (h *hasher) finish(from hash.Hash) (d digest) {
	h.sum = from.Sum(h.sum[:0])
	hex.Encode(d[:], h.sum)
	return d
}

// appendLine appends a whole line, without its line feed, and returns its hash.
func (h *hasher) appendLine(b []byte, bench string, number uint64, e publish.Event, recorded time.Time, previous digest) ([]byte, digest) {
	start := len(b)
	b = publish.AppendEnvelope(b, bench, number, e)
	b = append(b, sequenceMember...)
	b = appendSequence(b, number)
	b = append(b, recordedMember...)
	b = append(b, publish.Stamp(recorded)...)
	b = append(b, previousMember...)
	b = append(b, previous[:]...)
	b = append(b, '"')
	own := h.body(b[start:])
	end := len(b)
	b = append(b, hashMember...)
	b = append(b, own[:]...)
	b = append(b, closing...)
	return b, h.rest(b[end:])
}

// appendSequence appends a record number with all its digits.
func appendSequence(b []byte, number uint64) []byte {
	return fmt.Appendf(b, "%0*d", sequenceDigits, number)
}

// take takes a line, without its line feed, apart and checks its line hash.
func (h *hasher) take(line []byte) (entry, error) {
	e := entry{line: line}
	if len(line) < len(opening)+bodyTail+hashTail {
		return e, errLayout
	}
	body, tail := line[:len(line)-hashTail], line[len(line)-hashTail:]
	own := h.body(body)
	if !bytes.Equal(tail[len(hashMember):len(hashMember)+hexLength], own[:]) {
		return e, errLineHash
	}
	e.hash = h.rest(tail)
	if string(tail[:len(hashMember)]) != hashMember || string(tail[len(tail)-len(closing):]) != closing {
		return e, errLayout
	}
	if !e.takeHead(body[:len(body)-bodyTail]) || !e.takeTail(body[len(body)-bodyTail:]) {
		return e, errLayout
	}
	return e, nil
}

// takeHead takes what the event brought: everything up to the end of its data.
func (e *entry) takeHead(b []byte) bool {
	var id, source []byte
	ok := cutPrefix(&b, opening) && cutText(&b, &id, sourceMember) && cutText(&b, &source, typeMember) &&
		cutText(&b, &e.kind, timeMember) && cutText(&b, &e.time, dataMember)
	dash := bytes.LastIndexByte(id, '-')
	if !ok || dash < 0 || !bytes.Equal(id[:dash], source) || !validBench(source) || !validType(e.kind) {
		return false
	}
	n, err := strconv.ParseUint(string(id[dash+1:]), 10, 64)
	e.bench, e.number, e.data = source, n, b
	return err == nil && n > 0 && id[dash+1] != '0' && len(b) > 1 && b[0] == '{' && b[len(b)-1] == '}'
}

// takeTail takes what the journal added, up to the line hash.
func (e *entry) takeTail(b []byte) bool {
	var sequence []byte
	ok := cutPrefix(&b, sequenceMember) && cutText(&b, &sequence, recordedMember) &&
		cutText(&b, &e.recorded, previousMember) && cutText(&b, &e.previous, `"`) && len(b) == 0
	n, err := strconv.ParseUint(string(sequence), 10, 64)
	return ok && err == nil && len(sequence) == sequenceDigits && n == e.number
}

// stamps reports whether both times are what a journal writes.
func (e *entry) stamps() bool { return validStamp(e.time) && validStamp(e.recorded) }

// record returns the entry as its readers get it, with a copy of the line.
func (e *entry) record() (publish.Record, error) {
	at, err := time.Parse(time.RFC3339Nano, string(e.time))
	if err != nil {
		return publish.Record{}, errLayout
	}
	event := publish.Event{Type: string(e.kind), Time: at, Data: e.data}
	return recordOf(bytes.Clone(e.line), string(e.bench), e.number, event), nil
}

// recordOf returns the record of an event whose line is given.
func recordOf(line []byte, bench string, number uint64, e publish.Event) publish.Record {
	from := bytes.Index(line, []byte(dataMember)) + len(dataMember)
	to := from + len(e.Data)
	return publish.Record{
		Event:  publish.Event{Type: e.Type, Time: e.Time.Round(0).UTC(), Data: line[from:to:to]},
		Number: number, ID: publish.ID(bench, number), Source: publish.Source(bench), Line: line,
	}
}

func cutPrefix(b *[]byte, prefix string) bool {
	rest, ok := bytes.CutPrefix(*b, []byte(prefix))
	*b = rest
	return ok
}

// cutText cuts off the text before the separator, which it also cuts off.
func cutText(b, text *[]byte, separator string) bool {
	before, after, ok := bytes.Cut(*b, []byte(separator))
	*text, *b = before, after
	return ok
}

// validStamp reports whether b is a time as publish.Stamp writes it.
func validStamp(b []byte) bool {
	t, err := time.Parse(time.RFC3339Nano, string(b))
	return err == nil && publish.Stamp(t) == string(b)
}

// validBench reports whether a bench id has only letters, digits, - and _.
func validBench[T string | []byte](id T) bool {
	for i := range len(id) {
		if c := id[i]; !alphanumeric(c) && c != '-' && c != '_' {
			return false
		}
	}
	return len(id) > 0
}

// validType reports whether an event's type needs no escape in JSON.
func validType[T string | []byte](kind T) bool {
	for i := range len(kind) {
		if c := kind[i]; !alphanumeric(c) && c != '.' && c != '-' && c != '_' {
			return false
		}
	}
	return len(kind) > 0
}

func alphanumeric(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z'
}
