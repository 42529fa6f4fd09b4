package nats

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
)

// How the broker stores messages (nats-server 2.15, filestore.go): a block is a row
// of records, each a header of 22 bytes in little endian (length of the record,
// with its highest bit for "has headers"; sequence, with its two highest bits for
// "erased" and "tombstone"; time; length of the subject), then subject, headers,
// message and a checksum of 8 bytes.
const (
	recordHeader   = 22
	emptyRecord    = recordHeader + 8
	hasHeaders     = 1 << 31
	erased         = 1 << 63
	tombstone      = 1 << 62
	maxSequenceGap = 1000
)

// distrustIndexes looks at the sequences in the blocks of a store and removes the
// index of each stream in which they do not follow from one another; the broker then
// checks every message. With the index it would believe a sequence before it
// checks it, and a flipped bit in one would have it fill all memory with the
// numbers in between. It says what it found; empty if nothing.
func distrustIndexes(store string) (why string) {
	blocks, err := filepath.Glob(filepath.Join(store, "*", "streams", "*", "msgs", "*.blk"))
	if err != nil {
		return ""
	}
	for _, path := range blocks {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // the broker will say so itself
		}
		at, ok := followsOn(text)
		if ok {
			continue
		}
		msgs := filepath.Dir(path)
		why = fmt.Sprintf("%s of stream %s is damaged at byte %d", filepath.Base(path), filepath.Base(filepath.Dir(msgs)), at)
		// Without an index there is nothing to distrust.
		_ = os.Remove(filepath.Join(msgs, "index.db"))
	}
	return why
}

// followsOn says whether the sequences in a block follow from one another, or where
// they do not. A length that cannot be ends the row: the broker checks lengths
// itself, and the last record of a broker that was killed may be half there.
func followsOn(block []byte) (at int, ok bool) {
	last := uint64(0)
	for r := bytes.NewBuffer(block); r.Len() >= emptyRecord; at = len(block) - r.Len() {
		length := binary.LittleEndian.Uint32(r.Bytes()) &^ hasHeaders
		sequence := binary.LittleEndian.Uint64(r.Bytes()[4:])
		if length < emptyRecord || uint64(length) > uint64(r.Len()) {
			break
		}
		r.Next(int(length))
		if sequence&tombstone != 0 {
			continue
		}
		sequence &^= erased
		if sequence == 0 || last != 0 && (sequence <= last || sequence-last > maxSequenceGap) {
			return at, false
		}
		last = sequence
	}
	return at, true
}
