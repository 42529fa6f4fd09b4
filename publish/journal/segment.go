package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	tracesDir     = "traces"
	lockName      = "lock"
	segmentSuffix = ".jsonl"
	traceSuffix   = ".csv"
	keptInfix     = ".tail-"

	filePerm fs.FileMode = 0o640
	dirPerm  fs.FileMode = 0o750
)

// segmentName returns the name of the segment that begins with a record.
func segmentName(first uint64) string {
	return string(appendSequence(nil, first)) + segmentSuffix
}

// traceName returns the name, relative to the journal's folder, of the trace
// that a pull.started record stands for.
func traceName(number uint64) string {
	return tracesDir + "/" + string(appendSequence(nil, number)) + traceSuffix
}

// traceNumber returns the number in the name of a trace.
func traceNumber(name string) (uint64, bool) {
	number, ok := numbered(strings.TrimPrefix(name, tracesDir+"/"), traceSuffix)
	return number, ok && traceName(number) == name
}

// numbered returns the number in a name of twelve digits and a suffix.
func numbered(name, suffix string) (uint64, bool) {
	digits, ok := strings.CutSuffix(name, suffix)
	if !ok || len(digits) != sequenceDigits || strings.Trim(digits, "0123456789") != "" {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 64)
	return n, err == nil && n > 0
}

// listing is what a journal's folder holds. Folders other than traces are left
// out.
type listing struct {
	segments []uint64 // the first record of each, rising
	others   []string // files that are no segments
	format   int
}

func list(fsys FS, dir string) (listing, error) {
	var l listing
	entries, err := fsys.ReadDir(dir)
	if err != nil {
		return l, err
	}
	for _, e := range entries {
		if n, ok := numbered(e.Name(), segmentSuffix); ok {
			l.segments = append(l.segments, n)
		} else if !e.IsDir() {
			l.others = append(l.others, e.Name())
		}
	}
	slices.Sort(l.segments)
	l.format, err = readFormat(fsys, dir, slices.Contains(l.others, formatName))
	return l, err
}

// lines reads the lines of one segment.
type lines struct {
	name string // of the segment
	file File
	buf  []byte
	pos  int   // where the next line begins in buf
	end  int   // how far buf is filled
	at   int64 // where in the file buf is filled from next

	line   int   // number of the last line read, from 1
	offset int64 // of the last line read
	next   int64 // of the line after it
	// patience is how many times more the end of a last line without one is
	// waited for: another process may be writing it now.
	patience int
}

const (
	// Another process writes a line in one go, so that a moment is enough to
	// see the whole of it.
	aMoment     = 20 * time.Millisecond
	someMoments = 5

	linesBuffer = 32 << 10 // to begin with
)

func openLines(fsys FS, dir string, first uint64) (*lines, error) {
	name := segmentName(first)
	f, err := fsys.OpenFile(filepath.Join(dir, name), os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	return &lines{name: name, file: f, buf: make([]byte, linesBuffer)}, nil
}

// read returns the next line without its line feed; it is good until the next
// call. At the end it returns io.EOF. For a line that is too long or has no end
// it returns errLineLength or errLineEnd.
func (l *lines) read() ([]byte, error) {
	for seen := 0; ; {
		if i := bytes.IndexByte(l.buf[l.pos+seen:l.end], '\n'); i >= 0 {
			return l.take(seen + i + 1)[:seen+i], nil
		}
		if seen = l.end - l.pos; seen >= maxLine {
			return nil, l.skip()
		}
		err := l.fill()
		switch {
		case err == io.EOF && seen == 0:
			return nil, io.EOF
		case err == io.EOF && l.patience > 0:
			l.patience--
			time.Sleep(aMoment)
		case err == io.EOF:
			l.take(seen)
			return nil, errLineEnd
		case err != nil:
			return nil, err
		}
	}
}

// take moves on over a line of so many bytes and returns it.
func (l *lines) take(n int) []byte {
	line := l.buf[l.pos : l.pos+n]
	l.pos += n
	l.line++
	l.offset, l.next = l.next, l.next+int64(n)
	return line
}

// fill reads more behind what is left in buf, which grows if need be.
func (l *lines) fill() error {
	l.end = copy(l.buf, l.buf[l.pos:l.end])
	l.pos = 0
	if l.end == len(l.buf) {
		l.buf = append(l.buf, make([]byte, len(l.buf))...)
	}
	n, err := l.file.ReadAt(l.buf[l.end:], l.at)
	l.end += n
	l.at += int64(n)
	if n > 0 {
		return nil
	}
	return err
}

// skip moves on over a line that is too long.
func (l *lines) skip() error {
	l.take(l.end - l.pos)
	for {
		err := l.fill()
		if err != nil && err != io.EOF {
			return err
		}
		i := bytes.IndexByte(l.buf[:l.end], '\n')
		n := i + 1
		if i < 0 {
			n = l.end
		}
		l.pos += n
		l.next += int64(n)
		if i >= 0 || err == io.EOF {
			return errLineLength
		}
	}
}

// follow reads the next line and checks that it follows in the chain, which is
// adrift after a line that is not sound in itself. Its errors are io.EOF at the
// end, *Damage, or that of the file.
func (l *lines) follow(c *chain) (entry, error) {
	expected := c.last + 1
	if c.adrift {
		expected = 0
	}
	b, err := l.read()
	if err == io.EOF {
		return entry{}, err
	}
	var e entry
	if err == nil {
		e, err = c.follow(b)
	}
	var unlinked broken
	switch {
	case err == nil:
		return e, nil
	case errors.As(err, &unlinked):
		return e, l.damage(e.number, err)
	}
	c.adrift = true
	switch err {
	case errLineEnd, errLineLength, errLineHash, errLayout:
		return e, l.damage(expected, err)
	}
	return e, fmt.Errorf("read %s: %w", l.name, err)
}

func (l *lines) damage(record uint64, why error) *Damage {
	return &Damage{File: l.name, Line: l.line, Offset: l.offset, Record: record, Reason: why.Error()}
}

func (l *lines) close() error { return l.file.Close() }
