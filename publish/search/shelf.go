package search

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"thimbled/peak"
)

// A shelf is a file with the tests of a stretch of the journal: a line that says
// what is in it, the keys that tests are found by, and their summaries. Shelves
// hold nothing that the journal does not: a shelf that is lost, torn or of another
// journal is made again from the journal.
type shelf struct {
	path string
	shelfHead
}

// shelfHead is the first line of a shelf, behind its CRC-32.
type shelfHead struct {
	Format int    `json:"format"`
	After  uint64 `json:"after"` // the shelf before ends with this record
	Last   uint64 `json:"last"`  // the record that ended the last test
	// Line is the SHA-256 of that record's line: it says which journal this is of.
	Line   string    `json:"line"`
	Oldest time.Time `json:"oldest"`
	Newest time.Time `json:"newest"`
	Tests  int       `json:"tests"`
	// HighestPull is the highest number of a pull here or on a shelf before.
	HighestPull int64 `json:"highest_pull"`
	// Started are the pulls in hand at its end, with the records that began them.
	Started  map[int64]uint64 `json:"started,omitempty"`
	KeysSize int              `json:"keys_size"`
	KeysCRC  uint32           `json:"keys_crc"`
	BodySize int              `json:"body_size"`
	BodyCRC  uint32           `json:"body_crc"`
}

const (
	shelfFormat = 1
	shelfSuffix = ".tests"
	// mostShelf bounds what is read of a shelf.
	mostShelf = 64 << 20
)

// body is what a shelf holds: tests in the order of their records, and pulls that
// belong to none of them.
type body struct {
	Tests []Test
	Pulls []Pull
}

// testKeys are what a test is are found by.
type testKeys struct {
	key, job string
	verdict  peak.Verdict
	ended    int64 // in nanoseconds since 1970
}

var errShelf = errors.New("is not what was written")

func shelfName(last uint64) string { return fmt.Sprintf("%012d%s", last, shelfSuffix) }

// writeShelf writes a shelf. It needs no sync: one that a power cut tore does not
// count.
func writeShelf(dir string, head shelfHead, content body) (*shelf, error) {
	var keys []byte
	head.Format, head.Tests = shelfFormat, len(content.Tests)
	for i := range content.Tests {
		t := &content.Tests[i]
		for _, text := range []string{fold(t.Item), t.Job, string(t.Verdict)} {
			keys = binary.AppendUvarint(keys, uint64(len(text)))
			keys = append(keys, text...)
		}
		keys = binary.AppendVarint(keys, t.EndedAt.UnixNano())
		if i == 0 || t.EndedAt.Before(head.Oldest) {
			head.Oldest = t.EndedAt
		}
		if t.EndedAt.After(head.Newest) {
			head.Newest = t.EndedAt
		}
	}
	var rest bytes.Buffer
	if err := gob.NewEncoder(&rest).Encode(content); err != nil {
		return nil, err
	}
	head.KeysSize, head.KeysCRC = len(keys), crc32.ChecksumIEEE(keys)
	head.BodySize, head.BodyCRC = rest.Len(), crc32.ChecksumIEEE(rest.Bytes())
	text, err := json.Marshal(head)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(dir, shelfName(head.Last))
	all := fmt.Appendf(nil, "%08x %s\n", crc32.ChecksumIEEE(text), text)
	all = append(append(all, keys...), rest.Bytes()...)
	if err := os.WriteFile(path+".new", all, 0o640); err != nil {
		return nil, errors.Join(err, os.Remove(path+".new"))
	}
	return &shelf{path: path, shelfHead: head}, os.Rename(path+".new", path)
}

// readHead reads what is in a shelf.
func readHead(path string) (*shelf, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s := &shelf{path: path}
	_, err = s.head(bufio.NewReader(f))
	return s, err
}

// head reads the first line and returns how long it is.
func (s *shelf) head(from *bufio.Reader) (int, error) {
	line, err := from.ReadString('\n')
	if err != nil {
		return 0, errShelf
	}
	sum, text, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
	want, err := strconv.ParseUint(sum, 16, 32)
	if err != nil || uint32(want) != crc32.ChecksumIEEE([]byte(text)) {
		return 0, errShelf
	}
	var head shelfHead
	if err := json.Unmarshal([]byte(text), &head); err != nil || head.Format != shelfFormat || head.Last <= head.After ||
		head.Tests < 1 || head.KeysSize < 0 || head.BodySize < 0 || head.KeysSize+head.BodySize > mostShelf {
		return 0, errShelf
	}
	s.shelfHead = head
	return len(line), nil
}

// keys reads what the tests are found by.
func (s *shelf) keys() ([]testKeys, error) {
	b, err := s.block(false)
	if err != nil {
		return nil, err
	}
	out := make([]testKeys, 0, s.Tests)
	for len(b) > 0 {
		var k testKeys
		var verdict string
		for _, text := range []*string{&k.key, &k.job, &verdict} {
			n, size := binary.Uvarint(b)
			if size <= 0 || n > uint64(len(b)-size) {
				return nil, errShelf
			}
			*text, b = string(b[size:size+int(n)]), b[size+int(n):]
		}
		ended, size := binary.Varint(b)
		if size <= 0 {
			return nil, errShelf
		}
		k.verdict, k.ended, b = peak.Verdict(verdict), ended, b[size:]
		out = append(out, k)
	}
	if len(out) != s.Tests {
		return nil, errShelf
	}
	return out, nil
}

// read reads the summaries.
func (s *shelf) read() (content body, err error) {
	b, err := s.block(true)
	if err != nil {
		return content, err
	}
	if err := gob.NewDecoder(bytes.NewReader(b)).Decode(&content); err != nil || len(content.Tests) != s.Tests {
		return content, errShelf
	}
	for i := range content.Tests {
		content.Tests[i].key = fold(content.Tests[i].Item)
	}
	return content, nil
}

// block reads the keys, or what is behind them, of the shelf as it is now.
func (s *shelf) block(behind bool) ([]byte, error) {
	f, err := os.Open(s.path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	now := &shelf{path: s.path}
	begin, err := now.head(bufio.NewReader(f))
	if err != nil || now.Tests != s.Tests {
		return nil, errShelf
	}
	at, size, sum := begin, now.KeysSize, now.KeysCRC
	if behind {
		at, size, sum = begin+now.KeysSize, now.BodySize, now.BodyCRC
	}
	b := make([]byte, size)
	if _, err := f.ReadAt(b, int64(at)); err != nil && err != io.EOF || crc32.ChecksumIEEE(b) != sum {
		return nil, errShelf
	}
	return b, nil
}

// openShelves returns the shelves in a folder, from the first on, as far as each
// follows the one before; what does not is removed.
func openShelves(dir string) ([]*shelf, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir) // sorted, and names sort as their numbers do
	if err != nil {
		return nil, err
	}
	var out []*shelf
	after := uint64(0)
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		s, err := readHead(path)
		if err == nil && s.After == after && e.Name() == shelfName(s.Last) {
			out, after = append(out, s), s.Last
			continue
		}
		if !strings.Contains(e.Name(), shelfSuffix) {
			continue
		}
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
	}
	return out, nil
}
