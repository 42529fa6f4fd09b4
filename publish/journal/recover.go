package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"thimbled/peak"
	"thimbled/publish"
)

// Recovered is what a crash left of a trace.
type Recovered struct {
	Trace publish.Trace
	Rows  int64 // readings in it
	// Cut is what was cut off behind the last sound row; nil if nothing.
	Cut *Cut
}

// ErrNoTrace says that a crash left no trace of a pull, or not even its header.
var ErrNoTrace = errors.New("the pull has no trace")

// RecoverTrace gives the readings that a crash left in the trace of a pull in
// hand, one after the other, their times counted from the beginning of the
// trace; visit must not keep the pointer. What is torn behind the last sound row
// is cut off and kept aside. It then seals the trace. Its errors are ErrNoTrace,
// which changes nothing, and that of a file, which makes the journal failed.
func (w *Writer) RecoverTrace(number uint64, visit func(r *peak.Reading, raw float64)) (Recovered, error) {
	name := traceName(number)
	rec, err := w.recoverTrace(name, number, visit)
	var header *TraceError
	switch {
	case err == nil:
		return rec, nil
	case errors.Is(err, fs.ErrNotExist), errors.As(err, &header):
		err = fmt.Errorf("%w: %w", ErrNoTrace, err)
	default:
		err = w.fail(err)
	}
	return Recovered{}, fmt.Errorf("recover trace %s: %w", name, err)
}

func (w *Writer) recoverTrace(name string, number uint64, visit func(*peak.Reading, float64)) (Recovered, error) {
	rec := Recovered{Trace: publish.Trace{Name: name}}
	f, err := w.opts.FS.OpenFile(w.path(name), os.O_RDONLY, 0)
	if err != nil {
		return rec, err
	}
	defer f.Close()
	// Its record will name it: neither its name nor its bytes may go after that.
	if err := errors.Join(f.Sync(), f.Reread(), w.opts.FS.SyncDir(w.path(tracesDir))); err != nil {
		return rec, err
	}
	t, err := NewTraceReader(f)
	if err != nil {
		return rec, err
	}
	damage, err := t.sound(visit, &rec.Rows)
	if err != nil {
		return rec, err
	}
	end := t.rows.consumed()
	if damage != nil {
		damage.File, damage.Record = name, number
		end = damage.Offset
		if rec.Cut, err = cutOff(w.opts.FS, w.dir, *damage); err != nil {
			return rec, err
		}
	}
	h := sha256.New()
	if _, err := io.Copy(h, io.NewSectionReader(f, 0, end)); err != nil {
		return rec, err
	}
	rec.Trace.SHA256 = hex.EncodeToString(h.Sum(nil))
	return rec, nil
}

// sound reads on to the end or to the first row that is not whole, which it
// tells.
func (t *TraceReader) sound(visit func(*peak.Reading, float64), n *int64) (*Damage, error) {
	var r peak.Reading
	for {
		raw, err := t.Next(&r)
		var wrong *TraceError
		switch {
		case err == io.EOF:
			return nil, nil
		case errors.As(err, &wrong):
			return &Damage{Line: wrong.Line, Offset: t.rows.offset, Reason: wrong.inRow()}, nil
		case err != nil:
			return nil, err
		case !t.rows.ended:
			return &Damage{Line: t.rows.line, Offset: t.rows.offset, Reason: errLineEnd.Error()}, nil
		}
		*n++
		visit(&r, raw)
	}
}
