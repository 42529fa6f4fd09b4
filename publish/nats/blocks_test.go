package nats

import (
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
	if at, ok := followsOn(sound); !ok || at != len(sound) {
		t.Fatalf("a sound block is said to be damaged at byte %d of %d", at, len(sound))
	}
	second := int(binary.LittleEndian.Uint32(sound) &^ hasHeaders)
	for _, bit := range []int{1, 9, 17, 33, 49, 61} { // above that the broker sees flags
		if !st.flip(t, file, sound, 8*(second+4)+bit) {
			t.Errorf("bit %d of a sequence: the repair was not told", bit)
		}
	}
}

// A store that ended the process that opened it, twice, is not opened again.
func TestStoreThatCannotBeOpened(t *testing.T) {
	t.Parallel()
	for attempts, aside := range map[string]bool{".": false, "..": true} {
		c := filledStore(t, 5).copied(t)
		if err := os.WriteFile(filepath.Join(c.dir, "opening"), []byte(attempts), 0o600); err != nil {
			t.Fatal(err)
		}
		list := c.soundAgain(t)
		if told := len(list) == 1 && list[0].LostFrom == 1 && list[0].LostTo == 5 && list[0].Restored == 5; told != aside {
			t.Errorf("after attempts %q: repaired %+v", attempts, list)
		}
		if _, err := os.Stat(filepath.Join(c.dir, "opening")); err == nil {
			t.Errorf("after attempts %q: the attempt that came to an end is still noted", attempts)
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
		if at, ok := followsOn(block); at < 0 || at > len(block) || !ok && at > len(block)-emptyRecord {
			t.Errorf("%d of %d, %t", at, len(block), ok)
		}
	})
}
