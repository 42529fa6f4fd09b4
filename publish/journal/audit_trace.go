package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"thimbled/peak"
	"thimbled/publish"
)

func (a *auditor) tracesPath() string { return filepath.Join(a.dir, tracesDir) }

// trace checks a sealed trace: that it is there, has the digest that the record
// names, and reads as a trace.
func (a *auditor) trace(t publish.Trace, record uint64) {
	f, err := a.fsys.OpenFile(filepath.Join(a.dir, filepath.FromSlash(t.Name)), os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		a.problem(Damage{File: t.Name, Record: record, Reason: "is missing"})
		return
	}
	if err != nil {
		a.problem(Damage{File: t.Name, Record: record, Reason: "cannot be read: " + err.Error()})
		return
	}
	defer f.Close()
	sum, wrong, err := readTrace(f)
	switch d := (Damage{File: t.Name, Record: record}); {
	case err != nil:
		d.Reason = "cannot be read: " + err.Error()
		a.problem(d)
	case wrong != nil:
		d.Line, d.Offset, d.Reason = wrong.Line, wrong.Offset, wrong.Reason
		a.problem(d)
	case sum != t.SHA256:
		d.Reason = fmt.Sprintf("does not agree with its SHA-256 in record %d", record)
		a.problem(d)
	default:
		a.report.Traces++
	}
}

// readTrace reads a whole trace and returns its SHA-256 and where, if anywhere,
// it is no trace.
func readTrace(f io.Reader) (sum string, wrong *Damage, err error) {
	h := sha256.New()
	from := io.TeeReader(f, h)
	t, err := NewTraceReader(from)
	var header *TraceError
	if errors.As(err, &header) {
		wrong = &Damage{Line: header.Line, Reason: header.inRow()}
	} else if err != nil {
		return "", nil, err
	} else {
		var n int64
		if wrong, err = t.sound(func(*peak.Reading, float64) {}, &n); err != nil {
			return "", nil, err
		}
	}
	_, err = io.Copy(io.Discard, from)
	return hex.EncodeToString(h.Sum(nil)), wrong, err
}
