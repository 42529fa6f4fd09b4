package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

const (
	traceHeader = "elapsed_s,force_N,pressure_Pa,quality"
	rawHeader   = ",force_raw"
	lineEnd     = "\r\n" // as RFC 4180 has it

	traceBuffer = 32 << 10
	// traceSyncEvery is the most, in time of the readings, that a crash can take from a trace.
	traceSyncEvery = time.Second
)

// TraceWriter writes the trace of one pull as it goes. Only the goroutine that
// appends to the journal uses it.
type TraceWriter struct {
	journal *Writer
	file    File
	name    string // relative to the journal's folder
	scaled  bool
	buf     []byte
	digest  hash.Hash
	rows    int64
	start   time.Duration // the time of the first reading
	last    time.Duration // the time of the last reading
	synced  time.Duration // the time of the last reading that is durable
}

// StartTrace begins the trace of the pull that a pull.started record stands
// for. scaled says that the forces are scaled from raw values by us, which the
// trace then keeps too. A file of that name, left behind by a record that was
// lost, is set aside. An error of the file system makes the journal failed.
func (w *Writer) StartTrace(number uint64, scaled bool) (*TraceWriter, error) {
	if err := w.usable(); err != nil {
		return nil, fmt.Errorf("start trace: %w", err)
	}
	t := &TraceWriter{journal: w, name: traceName(number), scaled: scaled, digest: sha256.New(), buf: make([]byte, 0, traceBuffer+256)}
	if err := t.create(); err != nil {
		if t.file != nil {
			err = errors.Join(err, t.file.Close())
		}
		return nil, fmt.Errorf("start trace %s: %w", t.name, w.fail(err))
	}
	return t, nil
}

func (t *TraceWriter) create() (err error) {
	fsys, path := t.journal.opts.FS, t.journal.path(t.name)
	const flag = os.O_WRONLY | os.O_APPEND | os.O_CREATE | os.O_EXCL
	t.file, err = fsys.OpenFile(path, flag, filePerm)
	if errors.Is(err, fs.ErrExist) {
		if err := setAside(fsys, t.journal.dir, t.name); err != nil {
			return err
		}
		t.file, err = fsys.OpenFile(path, flag, filePerm)
	}
	if err != nil {
		return err
	}
	t.buf = append(t.buf, traceHeader...)
	if t.scaled {
		t.buf = append(t.buf, rawHeader...)
	}
	t.buf = append(t.buf, lineEnd...)
	if err := t.sync(); err != nil {
		return err
	}
	return fsys.SyncDir(filepath.Dir(path))
}

// setAside renames a file to the first free name of a tail.
func setAside(fsys FS, dir, name string) error {
	f, kept, err := createAside(fsys, dir, name)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return fsys.Rename(filepath.Join(dir, filepath.FromSlash(name)), filepath.Join(dir, filepath.FromSlash(kept)))
}

// Add adds a reading, whose time must be later than the one before; raw is what
// its force was scaled from, not a number if that is not known. It makes the
// trace durable once in each second of readings. A reading that no trace can
// hold is refused and changes nothing; an error of the file system makes the
// journal failed.
func (t *TraceWriter) Add(r peak.Reading, raw float64) error {
	switch {
	case t.rows > 0 && r.At <= t.last:
		return fmt.Errorf("add reading to trace: taken at %v, not after %v", r.At, t.last)
	case r.Quality == peak.Good && (r.Force <= -maxForce || r.Force >= maxForce):
		return fmt.Errorf("add reading to trace: the force %v is out of range", r.Force)
	}
	if err := t.journal.usable(); err != nil {
		return fmt.Errorf("add reading to trace: %w", err)
	}
	if t.rows == 0 {
		t.start, t.synced = r.At, r.At
	}
	t.rows++
	t.last = r.At
	t.appendRow(r, raw)
	if r.At-t.synced >= traceSyncEvery {
		return t.do("write", t.sync)
	}
	if len(t.buf) >= traceBuffer {
		return t.do("write", t.flush)
	}
	return nil
}

func (t *TraceWriter) appendRow(r peak.Reading, raw float64) {
	b := peak.AppendSeconds(t.buf, r.At-t.start)
	b = append(b, ',')
	if r.Quality == peak.Good {
		b = r.Force.AppendNewtons(b)
	}
	b = append(b, ',')
	if r.Pressure.Known {
		b = strconv.AppendInt(b, int64(r.Pressure.Value), 10)
	}
	b = append(b, ',')
	b = append(b, r.Quality.String()...)
	if t.scaled {
		b = append(b, ',')
		if !math.IsNaN(raw) && !math.IsInf(raw, 0) {
			b = strconv.AppendFloat(b, raw, 'g', -1, 64)
		}
	}
	t.buf = append(b, lineEnd...)
}

// Start is the time of the trace's first reading: what elapsed_s 0 stands for.
func (t *TraceWriter) Start() time.Duration { return t.start }

// Close makes the whole trace durable and returns its name and digest.
func (t *TraceWriter) Close() (publish.Trace, error) {
	err := t.journal.usable()
	if err == nil {
		err = t.do("close", t.sync)
	}
	if closed := t.file.Close(); err == nil && closed != nil {
		err = fmt.Errorf("close trace %s: %w", t.name, t.journal.fail(closed))
	}
	if err != nil {
		return publish.Trace{}, err
	}
	return publish.Trace{Name: t.name, SHA256: hex.EncodeToString(t.digest.Sum(nil))}, nil
}

// do does something with the file; an error makes the journal failed.
func (t *TraceWriter) do(verb string, what func() error) error {
	if err := what(); err != nil {
		return fmt.Errorf("%s trace %s: %w", verb, t.name, t.journal.fail(err))
	}
	return nil
}

func (t *TraceWriter) sync() error {
	if err := t.flush(); err != nil {
		return err
	}
	t.synced = t.last
	return t.file.Sync()
}

func (t *TraceWriter) flush() error {
	n, err := t.file.Write(t.buf)
	if err != nil {
		return err
	}
	if n < len(t.buf) {
		return io.ErrShortWrite
	}
	t.digest.Write(t.buf)
	t.buf = t.buf[:0]
	return nil
}
