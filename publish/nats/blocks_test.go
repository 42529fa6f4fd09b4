package nats

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"
)

// A flipped bit in the sequence of a message once made the broker fill 24 GB of
// memory with the numbers in between, and its process was killed.
func TestFlippedSequence(t *testing.T) {
	t.Parallel()
	st := filledStore(t, 5)
	file := filepath.Join("jetstream", "$G", "streams", EventStream(benchID), "msgs", "1.blk")
	sound, err := os.ReadFile(filepath.Join(st.dir, file))
	if err != nil {
		t.Fatal(err)
	}
	if at, err := lookThrough(sound); err != nil || at != len(sound) {
		t.Fatalf("a sound block of %d bytes is said to be damaged at byte %d: %v", len(sound), at, err)
	}
	second := int(binary.LittleEndian.Uint32(sound) &^ hasHeaders)
	for _, bit := range []int{1, 9, 17, 33, 49, 61} { // above that the broker sees flags
		if !st.flip(t, file, sound, 8*(second+4)+bit) {
			t.Errorf("bit %d of a sequence: the repair was not told", bit)
		}
	}
}

// The length of a message's headers is in no checksum of the broker's.
func TestFlippedHeaderLength(t *testing.T) {
	t.Parallel()
	st := filledStore(t, 5)
	file := filepath.Join("jetstream", "$G", "streams", EventStream(benchID), "msgs", "1.blk")
	sound, err := os.ReadFile(filepath.Join(st.dir, file))
	if err != nil {
		t.Fatal(err)
	}
	place := bytes.Index(sound, []byte("NATS/1.0")) - 4
	for bit := range 32 {
		if !st.flip(t, file, sound, 8*place+bit) {
			t.Errorf("bit %d of a length of headers: the repair was not told", bit)
		}
	}
}

// A store that again and again ended the process that opened it is not opened.
func TestStoreThatCannotBeOpened(t *testing.T) {
	t.Parallel()
	for attempts, aside := range map[int]bool{1: false, slowWeight: false, 2 * slowWeight: true, mostUnended: true} {
		c := filledStore(t, 5).copied(t)
		if err := os.WriteFile(filepath.Join(c.dir, "opening"), make([]byte, attempts), 0o600); err != nil {
			t.Fatal(err)
		}
		list := c.soundAgain(t)
		if told := len(list) == 1 && list[0].LostFrom == 1 && list[0].LostTo == 5 && list[0].Restored == 5; told != aside {
			t.Errorf("after %d attempts: repaired %+v", attempts, list)
		}
		if _, err := os.Stat(filepath.Join(c.dir, "opening")); err == nil {
			t.Errorf("after %d attempts: the attempt that came to an end is still noted", attempts)
		}
	}
}

// The blocks of a store are read before the broker checks them, so nothing in
// them may stop the daemon.
func FuzzBlock(f *testing.F) {
	f.Add([]byte{})
	f.Add(make([]byte, emptyRecord))
	f.Add(append([]byte{emptyRecord, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0}, make([]byte, 18)...))
	f.Fuzz(func(t *testing.T, block []byte) {
		if at, err := lookThrough(block); at < 0 || at > len(block) || err != nil && at > len(block)-emptyRecord {
			t.Errorf("%d of %d, %v", at, len(block), err)
		}
	})
}
