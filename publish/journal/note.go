package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

const (
	noteName  = "checked"
	newSuffix = ".new"
	// mostNote bounds what is read of a note. One grows by a number for each
	// verification and change of parameters only.
	mostNote = 16 << 20
)

// sofar is what a reader of all lines knows between two of them.
type sofar struct {
	chain *chain
	past  past
	tally Tally
	count int   // segments read to their end
	bytes int64 // in those
	fresh func() Tally
}

func newSofar(tally func() Tally) *sofar {
	return &sofar{chain: newChain(""), tally: tally(), fresh: tally}
}

func (s *sofar) add(e *entry) {
	s.past.keep(e)
	s.tally.Add(e.line)
}

// pass goes on to the next segment, behind one of so many bytes.
func (s *sofar) pass(size int64) {
	s.count++
	s.bytes += size
}

// note is what is on disk of the lines that were checked from the first segment to
// the end of a finished one, so that the next start need not wait for it.
type note struct {
	Bench    string `json:"bench"`
	Segments int    `json:"segments"`
	Bytes    int64  `json:"bytes"`
	Last     uint64 `json:"last"`
	LastHash string `json:"last_hash"`
	Past     past   `json:"past"`
	Tally    string `json:"tally,omitempty"`
}

// text is the note with its SHA-256 on a line behind it. The same lines make the
// same text.
func (s *sofar) text() ([]byte, error) {
	tally, err := s.tally.MarshalText()
	if err != nil {
		return nil, err
	}
	text, err := json.Marshal(note{
		Bench: s.chain.bench, Segments: s.count, Bytes: s.bytes, Last: s.chain.last, LastHash: string(s.chain.hash[:]), Past: s.past, Tally: string(tally),
	})
	sum := sha256.Sum256(text)
	return fmt.Appendf(text, "\n%x\n", sum), err
}

// parseNote reads a note; one that is not whole is an error.
func parseNote(text []byte, fresh func() Tally) (*sofar, error) {
	body, sum, _ := bytes.Cut(text, []byte("\n"))
	want := sha256.Sum256(body)
	if string(sum) != hex.EncodeToString(want[:])+"\n" {
		return nil, errors.New("does not agree with its SHA-256")
	}
	var n note
	if err := json.Unmarshal(body, &n); err != nil {
		return nil, err
	}
	s := newSofar(fresh)
	if len(n.LastHash) != hexLength || n.Segments < 1 || n.Last < 1 {
		return nil, errors.New("says nothing")
	}
	s.chain.bench, s.chain.last, s.chain.hash = n.Bench, n.Last, digest([]byte(n.LastHash))
	s.past, s.count, s.bytes = n.Past, n.Segments, n.Bytes
	if _, none := s.tally.(noTally); none != (n.Tally == "") {
		return nil, errors.New("has another tally")
	}
	return s, s.tally.UnmarshalText([]byte(n.Tally))
}

// copy returns the same on its own; nil if that cannot be had.
func (s *sofar) copy() *sofar {
	if s.count == 0 {
		return newSofar(s.fresh)
	}
	text, err := s.text()
	if err != nil {
		return nil
	}
	c, err := parseNote(text, s.fresh)
	if err != nil {
		return nil
	}
	return c
}

// fromNote returns where reading has to begin: behind what is on note, if the note
// is whole and there is what it is about, else at the first line.
func (w *Writer) fromNote() (*sofar, error) {
	none := newSofar(w.opts.Tally)
	w.check = checking{state: newSofar(w.opts.Tally)}
	text, err := readNote(w.opts.FS, w.dir)
	if err != nil || text == nil {
		return none, err
	}
	s, err := parseNote(text, w.opts.Tally)
	if err != nil || s.chain.bench != w.opts.Bench || s.count >= len(w.segments) || w.segments[s.count] != s.chain.last+1 {
		return none, nil // what is not on note is read
	}
	size, err := sizeOf(w.opts.FS, w.dir, w.segments[:s.count])
	if err != nil || size != s.bytes {
		return none, nil // reading them all finds the place
	}
	w.check.claimed = text
	w.check.noted = s.count
	return s, nil
}

func readNote(fsys FS, dir string) ([]byte, error) {
	f, err := fsys.OpenFile(filepath.Join(dir, noteName), os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, mostNote))
}

// sizeOf returns how many bytes segments have together.
func sizeOf(fsys FS, dir string, segments []uint64) (total int64, err error) {
	for _, first := range segments {
		l, err := openLines(fsys, dir, first)
		if err != nil {
			return 0, err
		}
		size, err := l.file.Size()
		if err := errors.Join(err, l.close()); err != nil {
			return 0, err
		}
		total += size
	}
	return total, nil
}
