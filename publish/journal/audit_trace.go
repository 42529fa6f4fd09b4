package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sort"

	"thimbled/peak"
	"thimbled/publish"
)

func (a *auditor) tracesPath() string { return filepath.Join(a.dir, tracesDir) }

// trace checks a sealed trace: that it is there, has the digest that the record
// names, and reads as a trace.
func (a *auditor) trace(number uint64, t publish.Trace, record uint64) {
	f, err := a.fsys.OpenFile(filepath.Join(a.dir, filepath.FromSlash(t.Name)), os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		a.missing[number] = record
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

// traceRemoved takes it that a trace which is not there was removed on purpose.
func (a *auditor) traceRemoved(l *lines, e *entry) {
	var data struct {
		Name string `json:"name"`
	}
	if err := json.Unmarshal(e.data, &data); err != nil {
		a.problem(*l.damage(e.number, errLayout))
		return
	}
	number, ok := traceNumber(data.Name)
	if _, missing := a.missing[number]; ok && missing {
		delete(a.missing, number)
		a.report.Removed++
	}
}

// missingTraces tells of the traces that are not there and should be, each where the
// record is that names it.
func (a *auditor) missingTraces() {
	if a.report.Removed > 0 {
		a.note(tracesDir, fmt.Sprintf("%d traces were removed, as records say", a.report.Removed))
	}
	records := map[uint64]uint64{}
	for number, record := range a.missing {
		records[record] = number
	}
	for _, record := range slices.Sorted(maps.Keys(records)) {
		at := sort.Search(len(a.places), func(i int) bool { return a.places[i] > record })
		d := Damage{File: traceName(records[record]), Record: record, Reason: "is missing"}
		a.places = slices.Insert(a.places, at, record)
		a.report.Problems = slices.Insert(a.report.Problems, at, d)
		if len(a.report.Problems) > MaxProblems {
			a.report.Problems, a.places = a.report.Problems[:MaxProblems], a.places[:MaxProblems]
			a.report.Omitted++
		}
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
