package journal

import (
	"bytes"
	"encoding"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"
	"unicode/utf8"

	"thimbled/peak"
	"thimbled/publish"
)

// What callers decide on.
var (
	// ErrLocked says that another process has the journal open.
	ErrLocked = errors.New("in use by another process")
	// ErrOtherBench says that a journal holds the records of another bench.
	ErrOtherBench = errors.New("the journal is of another bench")
	// ErrFormat says that a journal was written by a later version in a way that
	// this one does not know.
	ErrFormat = errors.New("the journal is of a later format")
	// ErrFailed says that a write or a sync went wrong, so that nothing more
	// is written. It stays until the journal is opened anew.
	ErrFailed = errors.New("the journal has failed")
	// ErrNoRoom says that too little space is free to begin a test.
	ErrNoRoom = errors.New("too little free space for the journal")
	// ErrClosed says that the writer was closed.
	ErrClosed = errors.New("the journal is closed")
)

// Options are how a journal is opened. Only Bench has no default.
type Options struct {
	// Bench is the id of the bench: letters, digits, - and _.
	Bench string
	// FS is where the journal lives; nil means [OS].
	FS FS
	// Now gives the time of recording; nil means [time.Now].
	Now func() time.Time
	// SegmentBytes is the size that a segment does not grow beyond, unless a
	// single record does; 0 means 16 MiB.
	SegmentBytes int64
	// MinFree is the free space, in bytes, that Room asks for; 0 means 64 MiB.
	MinFree int64
	// Tally makes what is kept over all lines, empty. Nil: nobody asks.
	Tally func() Tally
}

// Tally is kept over the lines of a journal, from the first to the last durable
// one: by Open, then by Append before it returns. Its text goes into the note of
// what was checked, so that Open need not read all lines again; equal lines make
// equal texts.
type Tally interface {
	// Add takes the next line, without its line feed, and must not keep it.
	Add(line []byte)
	encoding.TextMarshaler
	encoding.TextUnmarshaler
}

// noTally counts nothing.
type noTally struct{}

func (noTally) Add([]byte)                   {}
func (noTally) MarshalText() ([]byte, error) { return nil, nil }
func (noTally) UnmarshalText([]byte) error   { return nil }

const (
	defaultSegmentBytes = 16 << 20
	defaultMinFree      = 64 << 20
)

func (o Options) withDefaults() Options {
	if o.FS == nil {
		o.FS = OS
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.SegmentBytes == 0 {
		o.SegmentBytes = defaultSegmentBytes
	}
	if o.MinFree == 0 {
		o.MinFree = defaultMinFree
	}
	if o.Tally == nil {
		o.Tally = func() Tally { return noTally{} }
	}
	return o
}

// Writer appends to a journal. One goroutine appends and keeps traces; Next,
// Last, Failed, Free and Room may be called by any. It is a [publish.Records].
type Writer struct {
	dir  string
	opts Options
	lock io.Closer
	// format is the journal's, which is below Format in an old one.
	format int

	// Only the goroutine that appends touches these.
	file   File // the last segment; nil before the first record
	size   int64
	hasher *hasher
	hash   digest // of the last line
	tally  Tally

	check checking // only the goroutine that checks touches it

	mu       sync.Mutex // guards what is below
	segments []uint64   // the first record of each
	last     uint64     // the last durable record
	recent   [recentRecords]publish.Record
	grew     chan struct{} // closed when there is a record more, or never will be
	cursors  []*cursor
	failed   error
	closed   bool
}

// Append makes an event durable as the next record: when it returns, the record
// is on disk. An event that cannot be a record is refused and changes nothing.
// After an error of the file system the journal has failed: that record may or
// may not be found when it is opened anew, and every later Append returns
// ErrFailed.
func (w *Writer) Append(e publish.Event) (publish.Record, error) {
	if err := w.usable(); err != nil {
		return publish.Record{}, fmt.Errorf("append record: %w", err)
	}
	number := w.Last() + 1
	line, hash, err := w.encode(e, number)
	if err != nil {
		return publish.Record{}, fmt.Errorf("append record: %w", err)
	}
	if e.Type == peak.TypeTraceRemoved {
		err = w.raiseFormat()
	}
	if err == nil {
		err = w.write(line, number)
	}
	if err != nil {
		return publish.Record{}, fmt.Errorf("append record %d: %w", number, w.fail(err))
	}
	w.hash = hash
	r := recordOf(line[:len(line)-1:len(line)-1], w.opts.Bench, number, e)
	w.tally.Add(r.Line)
	w.announce(r)
	return r, nil
}

// encode returns an event as a line with its line feed, and the line's hash.
func (w *Writer) encode(e publish.Event, number uint64) ([]byte, digest, error) {
	if err := check(e); err != nil {
		return nil, digest{}, err
	}
	now := w.opts.Now()
	if number > maxNumber || !validStamp([]byte(publish.Stamp(now))) {
		return nil, digest{}, fmt.Errorf("record %d at %s is beyond what a line can hold", number, now)
	}
	b := make([]byte, 0, len(e.Data)+len(e.Type)+640)
	b, hash := w.hasher.appendLine(b, w.opts.Bench, number, e, now, w.hash)
	b = append(b, '\n')
	if len(b) > maxLine {
		return nil, digest{}, fmt.Errorf("event %s: a line of %d bytes %w", e.Type, len(b), errLineLength)
	}
	return b, hash, nil
}

// check refuses an event that does not fit into one line of JSON.
func check(e publish.Event) error {
	d := bytes.TrimSpace(e.Data)
	switch {
	case !validType(e.Type):
		return fmt.Errorf("event %q: the type needs letters, digits, '.', '-' and '_' only", e.Type)
	case !validStamp([]byte(publish.Stamp(e.Time))):
		return fmt.Errorf("event %s: the time %s has no RFC 3339 form", e.Type, e.Time)
	case len(d) == 0 || d[0] != '{' || len(d) != len(e.Data) || bytes.ContainsAny(d, "\r\n") || !utf8.Valid(d) || !json.Valid(d):
		return fmt.Errorf("event %s: the data are not one JSON object on one line", e.Type)
	}
	return nil
}

// write makes one line durable, in a new segment if the last one is full.
func (w *Writer) write(line []byte, number uint64) error {
	if w.file == nil || w.size > 0 && w.size+int64(len(line)) > w.opts.SegmentBytes {
		if err := w.begin(number); err != nil {
			return err
		}
	}
	n, err := w.file.Write(line)
	w.size += int64(n)
	if err != nil {
		return err
	}
	if n < len(line) {
		return io.ErrShortWrite
	}
	return w.file.Sync()
}

// begin makes a new segment. Its name must be durable before a record in it is;
// the empty file itself is made so together with its first record.
func (w *Writer) begin(number uint64) error {
	f, err := w.opts.FS.OpenFile(w.path(segmentName(number)), os.O_WRONLY|os.O_APPEND|os.O_CREATE|os.O_EXCL, filePerm)
	if err != nil {
		return err
	}
	before := w.file
	w.file, w.size = f, 0
	if before != nil {
		if err := before.Close(); err != nil {
			return err
		}
	}
	if err := w.opts.FS.SyncDir(w.dir); err != nil {
		return err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.segments = append(w.segments, number)
	return nil
}

// announce lets readers have a record that is durable.
func (w *Writer) announce(r publish.Record) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.last = r.Number
	w.recent[r.Number%recentRecords] = r
	close(w.grew)
	w.grew = make(chan struct{})
}

// fail makes the journal failed and returns why.
func (w *Writer) fail(err error) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.failed == nil {
		w.failed = fmt.Errorf("%w: %w", ErrFailed, err)
	}
	return w.failed
}

// Failed returns nil while the journal can be written, else why not: an
// ErrFailed with its first cause.
func (w *Writer) Failed() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.failed
}

func (w *Writer) usable() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return ErrClosed
	}
	return w.failed
}

// path returns the path of a name relative to the journal's folder.
func (w *Writer) path(name string) string { return filepath.Join(w.dir, filepath.FromSlash(name)) }

// FS is where the journal lives.
func (w *Writer) FS() FS { return w.opts.FS }

// Free returns the number of bytes that may still be written.
func (w *Writer) Free() (int64, error) { return w.opts.FS.Free(w.dir) }

// Room says whether there is space to begin a test: nil, or ErrNoRoom with the
// figures, or the error of asking.
func (w *Writer) Room() error {
	free, err := w.Free()
	if err != nil {
		return fmt.Errorf("ask for the free space of the journal: %w", err)
	}
	if free < w.opts.MinFree {
		return fmt.Errorf("%w: %d bytes free, %d wanted", ErrNoRoom, free, w.opts.MinFree)
	}
	return nil
}

// Close ends the writing and the waiting of readers, and gives the journal up to
// other processes. What was appended is durable already. A trace that is open
// must be closed before.
func (w *Writer) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return nil
	}
	w.closed = true
	close(w.grew)
	var errs []error
	for _, c := range w.cursors {
		errs = append(errs, c.lines.close())
	}
	w.cursors = nil
	if w.file != nil {
		errs = append(errs, w.file.Close())
	}
	if err := errors.Join(append(errs, w.lock.Close())...); err != nil {
		return fmt.Errorf("close journal: %w", err)
	}
	return nil
}
