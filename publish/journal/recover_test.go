package journal

import (
	"bytes"
	"errors"
	"testing"

	"thimbled/peak"
)

// A trace that a crash cut anywhere gives the rows that are whole; the rest is
// kept aside, and what is left is sealed and sound.
func TestRecoverTraceCutAnywhere(t *testing.T) {
	rows := randomRows(3, 12)
	fsys := newMemFS()
	whole := writeTrace(t, fsys, rows, 0)
	header := bytes.IndexByte(whole, '\n') + 1
	for n := header; n <= len(whole); n++ {
		fsys := fsys.copyFiles()
		fsys.put("/j/"+traceName(1), whole[:n])
		good := bytes.LastIndexByte(whole[:n], '\n') + 1
		recovers(t, fsys, rows[:bytes.Count(whole[header:n], []byte("\n"))], whole[good:n])
	}
	zeros := make([]byte, rowBuffer+500)
	fsys.put("/j/"+traceName(1), append(bytes.Clone(whole), zeros...))
	recovers(t, fsys, rows, zeros)
}

func recovers(t *testing.T, fsys *memFS, want []row, tail []byte) {
	t.Helper()
	w, _ := open(t, options(fsys))
	defer w.Close()
	var got []row
	rec, err := w.RecoverTrace(1, func(r *peak.Reading, raw float64) { got = append(got, row{*r, raw}) })
	if err != nil || len(got) != len(want) || rec.Rows != int64(len(got)) {
		t.Fatalf("%d rows, want %d: %v", len(got), len(want), err)
	}
	for i := range want {
		if !sameRow(got[i], want[i]) {
			t.Fatalf("row %d: %+v, want %+v", i, got[i], want[i])
		}
	}
	left := fsys.bytesOf("/j/" + traceName(1))
	if rec.Trace.Name != traceName(1) || rec.Trace.SHA256 != sha256Hex(left) {
		t.Fatalf("sealed as %+v", rec.Trace)
	}
	if (rec.Cut != nil) != (len(tail) > 0) || rec.Cut != nil && !bytes.Equal(fsys.bytesOf("/j/"+rec.Cut.Kept), tail) {
		t.Fatalf("cut off %+v, want %d bytes", rec.Cut, len(tail))
	}
	if all, err := readTraceFrom(bytes.NewReader(left)); err != nil || len(all) != len(want) {
		t.Fatalf("what is left has %d rows, %v", len(all), err)
	}
}

func TestRecoverTraceWithoutOne(t *testing.T) {
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	if _, err := w.RecoverTrace(1, nil); !errors.Is(err, ErrNoTrace) {
		t.Errorf("no trace: %v", err)
	}
	for _, left := range [][]byte{nil, []byte("elapsed_s,for"), make([]byte, 300)} {
		fsys.put("/j/"+traceName(1), left)
		if _, err := w.RecoverTrace(1, nil); !errors.Is(err, ErrNoTrace) {
			t.Errorf("%q is left: %v", left, err)
		}
	}
	if err := w.Failed(); err != nil {
		t.Errorf("the journal has failed: %v", err)
	}
}
