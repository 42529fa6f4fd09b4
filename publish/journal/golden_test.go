package journal

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

// testdata/golden-v1 is a journal of the first format. It must stay readable and
// sound for ever; a later format gets a folder of its own beside it.
const goldenDir = "testdata/golden-v1"

func TestGoldenStaysReadable(t *testing.T) {
	report, err := Audit(goldenDir)
	if err != nil || !report.Sound() || len(report.Notes) != 0 {
		t.Fatalf("%+v, %v", report, err)
	}
	if report.Bench != bench || report.Records != 9 || report.Segments != 2 || report.Traces != 1 {
		t.Errorf("%+v", report)
	}
	types := []string{
		"thimbled.daemon.started", "thimbled.zero.set", "thimbled.tare.set", "thimbled.job.opened", "thimbled.pull.started",
		"thimbled.hold.reached", "thimbled.pull.ended", "thimbled.test.ended", "thimbled.daemon.stopped",
	}
	n := 0
	for r, err := range Records(goldenDir) {
		if err != nil {
			t.Fatal(err)
		}
		if r.Number != uint64(n+1) || r.Type != types[n] || r.ID != "dock-3-"+string('0'+byte(n+1)) {
			t.Errorf("record %d: %s, %s", r.Number, r.Type, r.ID)
		}
		n++
	}
	f, err := os.Open(filepath.Join(goldenDir, traceName(5)))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if rows, err := readTraceFrom(f); err != nil || len(rows) != 12 || rows[11].Force != 6_875_000 || rows[7].Quality.String() != "timeout" {
		t.Errorf("trace: %v, %v", rows, err)
	}
}

// The same events and readings give the same bytes.
func TestGoldenIsWhatIsWritten(t *testing.T) {
	fsys := newMemFS()
	o := options(fsys)
	o.SegmentBytes = 3000
	w, _ := open(t, o)
	for r, err := range Records(goldenDir) {
		if err != nil {
			t.Fatal(err)
		}
		add(t, w, r.Event)
	}
	trace, err := w.StartTrace(5, true)
	if err != nil {
		t.Fatal(err)
	}
	golden, err := os.ReadFile(filepath.Join(goldenDir, traceName(5)))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := readTraceFrom(bytes.NewReader(golden))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if err := trace.Add(r.Reading, r.raw); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := trace.Close(); err != nil {
		t.Fatal(err)
	}
	w.Close()
	files := 0
	err = filepath.WalkDir(goldenDir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		files++
		want, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, _ := filepath.Rel(goldenDir, path)
		if got := fsys.bytesOf("/j/" + filepath.ToSlash(name)); !bytes.Equal(got, want) {
			t.Errorf("%s: got\n%s\nwant\n%s", name, got, want)
		}
		return nil
	})
	if err != nil || files != len(w.segments)+1 {
		t.Errorf("%d files for %d segments and a trace, %v", files, len(w.segments), err)
	}
}
