package nats

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// How the broker stores messages (nats-server 2.15, filestore.go): a block is a row
// of records, each a header of 22 bytes in little endian (length of the record,
// with its highest bit for "has headers"; sequence, with its two highest bits for
// "erased" and "tombstone"; time; length of the subject), then subject, length of
// the headers in 4 bytes and headers where there are some, message, and a checksum.
const (
	recordHeader   = 22
	checksum       = 8
	emptyRecord    = recordHeader + checksum
	hasHeaders     = 1 << 31
	erased         = 1 << 63
	tombstone      = 1 << 62
	maxSequenceGap = 1000
)

// What a block can hold that the broker does not check in time, or at all.
var (
	errSequences = errors.New("sequences do not follow from one another")
	errHeaders   = errors.New("a message's headers are not as long as they say")
)

// distrust looks through the blocks of a store before the broker does. It says what
// it found, empty if nothing, and whether the store can be used at all.
//
// The broker believes its index, and then each sequence, before it checks the
// message, and would fill all memory with the numbers that a flipped bit leaves out: such
// an index is removed, so that everything is checked first. The length of the headers is in no
// checksum; a stream of records in which one is wrong cannot be used.
func distrust(store string) (why string, unusable error) {
	blocks, err := filepath.Glob(filepath.Join(store, "*", "streams", "*", "msgs", "*.blk"))
	if err != nil {
		return "", nil
	}
	for _, path := range blocks {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // the broker will say so itself
		}
		msgs := filepath.Dir(path)
		stream := filepath.Base(filepath.Dir(msgs))
		at, err := lookThrough(text)
		if err == nil || err == errHeaders && !strings.HasPrefix(stream, EventStream("")) {
			continue
		}
		why = fmt.Sprintf("%s of stream %s is damaged at byte %d: %v", filepath.Base(path), stream, at, err)
		if err == errHeaders {
			return why, errors.New(why)
		}
		_ = os.Remove(filepath.Join(msgs, "index.db")) // if there is none, all the better
	}
	return why, nil
}

// lookThrough looks at each record of a block and says what is wrong and where.
// A length of a record that cannot be ends the row: the broker checks those itself, and
// the last record of a broker that was killed may be half there.
func lookThrough(block []byte) (at int, err error) {
	last := uint64(0)
	for at+emptyRecord <= len(block) {
		length := binary.LittleEndian.Uint32(block[at:])
		sequence := binary.LittleEndian.Uint64(block[at+4:])
		whole := uint64(length &^ hasHeaders)
		if whole < emptyRecord || whole > uint64(len(block)-at) {
			return at, nil
		}
		record := block[at : at+int(whole)]
		if sequence&tombstone == 0 {
			sequence &^= erased
			if sequence == 0 || last != 0 && (sequence <= last || sequence-last > maxSequenceGap) {
				return at, errSequences
			}
			last = sequence
		}
		if length&hasHeaders != 0 && !headersFit(record) {
			return at, errHeaders
		}
		at += int(whole)
	}
	return at, nil
}

// headersFit says whether the headers of a record end where they say.
func headersFit(record []byte) bool {
	subject := int(binary.LittleEndian.Uint16(record[20:]))
	rest := record[recordHeader : len(record)-checksum]
	if len(rest) < subject+4 {
		return true // which the broker sees itself
	}
	long := uint64(binary.LittleEndian.Uint32(rest[subject:]))
	rest = rest[subject+4:]
	return long <= uint64(len(rest)) && bytes.HasPrefix(rest, []byte("NATS/1.0")) && bytes.HasSuffix(rest[:long], []byte("\r\n\r\n"))
}
