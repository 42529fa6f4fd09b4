package journal

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"thimbled/peak"
)

// writeSmall writes a journal of one pull in two segments.
func writeSmall(t testing.TB) written {
	t.Helper()
	j := written{fsys: newMemFS()}
	o := options(j.fsys)
	o.SegmentBytes = 1800
	w, _ := open(t, o)
	number := add(t, w, encode(peak.PullStarted{Pull: 1}, nil)).Number
	trace, err := w.StartTrace(number, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range readings(6) {
		if err := trace.Add(r, 0); err != nil {
			t.Fatal(err)
		}
	}
	sealed, err := trace.Close()
	if err != nil {
		t.Fatal(err)
	}
	add(t, w, event(1, 1))
	add(t, w, encode(peak.PullEnded{Pull: 1, Verdict: peak.Unassigned}, &sealed))
	add(t, w, encode(peak.DaemonStopped{Clean: true}, nil))
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	for _, first := range w.segments {
		j.segments = append(j.segments, segmentName(first))
	}
	if j.records, err = readAll(j.fsys); err != nil {
		t.Fatal(err)
	}
	return j
}

// One byte changed anywhere, in a segment or in a trace, is found, and its file
// and line are named first.
func TestAuditFindsEachChangedByte(t *testing.T) {
	t.Parallel()
	j := writeSmall(t)
	if r, err := audit(j.fsys, "/j", 0, nil); err != nil || !r.Sound() || r.Traces != 1 || r.Segments != 2 {
		t.Fatalf("before any change: %+v, %v", r, err)
	}
	record := uint64(0)
	for _, name := range append(j.segments, traceName(1)) {
		place := path.Join("/j", name)
		data := j.fsys.bytesOf(place)
		line, from := 1, int64(0)
		for n, b := range data {
			if isSegment := strings.HasSuffix(name, segmentSuffix); isSegment && int64(n) == from {
				record++
			}
			changes := []byte{b ^ 1, b ^ 0x20, '\n', []byte{b ^ 0x80, '\r', 0}[n%3]}
			for _, other := range changes {
				if other == b {
					continue
				}
				bad := slices.Clone(data)
				bad[n] = other
				j.fsys.put(place, bad)
				report, err := audit(j.fsys, "/j", 0, nil)
				if err != nil || report.Sound() {
					t.Fatalf("%s byte %d from %q to %q: not found: %v", name, n, b, other, err)
				}
				got, want := report.Problems[0], Damage{File: name, Line: line, Offset: from, Record: record}
				want.Reason = got.Reason
				if strings.HasSuffix(name, traceSuffix) {
					// A trace has one hash for all; a row that is none is named.
					if got.File != name || got.Record != 3 || got.Line != 0 && got.Line != line && got.Line != line+1 {
						t.Fatalf("%s byte %d from %q to %q: found at %v", name, n, b, other, &got)
					}
				} else if got != want {
					t.Fatalf("%s byte %d from %q to %q: found at %+v, want %+v", name, n, b, other, got, want)
				}
			}
			if b == '\n' {
				line, from = line+1, int64(n+1)
			}
		}
		j.fsys.put(place, data)
	}
}

// The rest of a damaged journal is still audited, each place told once.
func TestAuditGoesOnBehindDamage(t *testing.T) {
	j := writeLoft(t, 1500)
	for i, name := range []string{j.segments[0], j.segments[2]} {
		data := j.fsys.bytesOf("/j/" + name)
		data[50+i] ^= 1
		j.fsys.put("/j/"+name, data)
	}
	trace := traceName(5)
	j.fsys.put("/j/"+trace, append(j.fsys.bytesOf("/j/"+trace), '\n'))
	report, err := audit(j.fsys, "/j", 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	var files []string
	for _, p := range report.Problems {
		files = append(files, p.File)
	}
	if want := []string{j.segments[0], j.segments[2], trace}; !sameSet(files, want) || report.Records != uint64(len(j.records)-2) || report.Last != uint64(len(j.records)) {
		t.Errorf("found %v in %d records, want %v; %v", files, report.Records, want, report.Problems)
	}
}

func sameSet(a, b []string) bool {
	a, b = slices.Sorted(slices.Values(a)), slices.Sorted(slices.Values(b))
	return slices.Equal(a, b)
}

func TestAuditOfWholeLinesAndFiles(t *testing.T) {
	small := writeSmall(t)
	first, last := small.segments[0], small.segments[1]
	lines := bytes.SplitAfter(small.fsys.bytesOf("/j/"+first), []byte("\n"))
	other := newMemFS()
	o := options(other)
	o.Bench = "dock-4"
	w, _ := open(t, o)
	for _, r := range small.records {
		add(t, w, r.Event)
	}
	w.Close()
	foreign := bytes.SplitAfter(other.bytesOf("/j/"+segmentName(1)), []byte("\n"))
	for name, c := range map[string]struct {
		change func(*memFS)
		want   []string // one piece of each problem
	}{
		"a line taken out": {func(m *memFS) { m.put("/j/"+first, lines[0]) }, []string{last + " record 2"}},
		"two lines swapped": {func(m *memFS) { m.put("/j/"+first, slices.Concat(lines[1], lines[0])) },
			[]string{first + " line 1 (byte 0) record 2: follows record 0", "record 1: follows record 2", last + " record 2"}},
		"a line twice":             {func(m *memFS) { m.put("/j/"+first, slices.Concat(lines[0], lines[0], lines[1])) }, []string{"record 1: follows record 1"}},
		"a line of another bench":  {func(m *memFS) { m.put("/j/"+first, slices.Concat(lines[0], foreign[1])) }, []string{"is of bench dock-4, in a journal of bench dock-3", "does not name the line before it"}},
		"a line written anew":      {func(m *memFS) { m.put("/j/"+first, slices.Concat(lines[0], rewritten(small, 2))) }, []string{last + " line 1 (byte 0) record 3: does not name the line before it"}},
		"bytes behind the end":     {func(m *memFS) { m.put("/j/"+last, append(m.bytesOf("/j/"+last), 'x')) }, []string{"record 5: has no line feed"}},
		"an empty line":            {func(m *memFS) { m.put("/j/"+last, append(m.bytesOf("/j/"+last), '\n')) }, []string{"record 5: is not a line"}},
		"a line too long":          {func(m *memFS) { m.put("/j/"+last, append(m.bytesOf("/j/"+last), make([]byte, maxLine+9)...)) }, []string{"record 5: is longer"}},
		"first segment missing":    {func(m *memFS) { m.Rename("/j/"+first, "/j/x") }, []string{last + " record 1: begins with record 3"}},
		"segment that is a folder": {func(m *memFS) { m.Rename("/j/"+first, "/j/x"); m.Mkdir("/j/"+first, 0) }, []string{first + ": cannot be read"}},
		"trace missing":            {func(m *memFS) { m.Rename("/j/"+traceName(1), "/j/x") }, []string{traceName(1) + " record 3: is missing"}},
		"trace cut short":          {func(m *memFS) { b := m.bytesOf("/j/" + traceName(1)); m.put("/j/"+traceName(1), b[:len(b)-9]) }, []string{traceName(1)}},
		"trace empty":              {func(m *memFS) { m.put("/j/"+traceName(1), nil) }, []string{traceName(1) + " line 1"}},
	} {
		t.Run(name, func(t *testing.T) {
			fsys := small.fsys.copyFiles()
			c.change(fsys)
			report, err := audit(fsys, "/j", 0, nil)
			if err != nil {
				t.Fatal(err)
			}
			if len(report.Problems) != len(c.want) {
				t.Errorf("problems: %v; want %q", report.Problems, c.want)
			}
			for i, p := range report.Problems {
				if i < len(c.want) && !strings.Contains(p.Error(), c.want[i]) {
					t.Errorf("problem %q; want %q", p.Error(), c.want[i])
				}
			}
		})
	}
}

// rewritten returns a record's line with the same chain and another time of
// recording: sound in itself, but not the line that the next one names.
func rewritten(j written, number uint64) []byte {
	e, err := newHasher().take(j.records[number-1].Line)
	if err != nil {
		panic(err)
	}
	line, _ := newHasher().appendLine(nil, bench, number, j.records[number-1].Event, epoch, digest(e.previous))
	return append(line, '\n')
}

// What is no damage is noted: a pull in hand, tails kept aside, other files.
func TestAuditNotes(t *testing.T) {
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	number := add(t, w, encode(peak.PullStarted{Pull: 1}, nil)).Number
	trace, err := w.StartTrace(number, false)
	if err != nil {
		t.Fatal(err)
	}
	if err := trace.Add(readings(1)[0], 0); err != nil {
		t.Fatal(err)
	}
	add(t, w, encode(peak.PullEnded{Pull: 9}, nil))
	add(t, w, encode(peak.PullStarted{Pull: 2}, nil))
	if _, err := w.StartTrace(3, false); err != nil {
		t.Fatal(err)
	}
	fsys.put("/j/000000000001.jsonl.tail-1", nil)
	fsys.put("/j/notes.txt", nil)
	fsys.put("/j/traces/readme", nil)
	fsys.Mkdir("/j/nats", 0)
	report, err := audit(fsys, "/j", 0, nil)
	if err != nil || !report.Sound() {
		t.Fatalf("%+v, %v", report, err)
	}
	want := []Note{
		{"000000000001.jsonl", "record 2: pull 9 has no trace"},
		{"000000000001.jsonl.tail-1", "damage that was cut off and kept aside"},
		{"notes.txt", "no part of the journal"},
		{"traces/000000000001.csv", "no record names this trace"},
		{"traces/000000000003.csv", "the trace of a pull in hand, not sealed yet"},
		{"traces/readme", "no part of the journal"},
	}
	if !slices.Equal(report.Notes, want) {
		t.Errorf("notes:\n%v\nwant\n%v", report.Notes, want)
	}
}

// A pull.ended can name no file but the trace of its own pull.
func TestAuditTraceNames(t *testing.T) {
	for _, name := range []string{"../000000000001.csv", "traces/../../etc/passwd", "/etc/passwd", "traces/000000000002.csv", "000000000001.csv", ""} {
		fsys := newMemFS()
		w, _ := open(t, options(fsys))
		add(t, w, encode(peak.PullStarted{Pull: 1}, nil))
		e := encode(peak.PullEnded{Pull: 1}, nil)
		e.Data = bytes.Replace(e.Data, []byte(`"trace":null`), []byte(`"trace":{"name":"`+name+`","sha256":""}`), 1)
		add(t, w, e)
		w.Close()
		report, err := audit(fsys, "/j", 0, nil)
		if err != nil || len(report.Problems) != 1 || !strings.Contains(report.Problems[0].Reason, "not the trace of its pull") {
			t.Errorf("%q: %+v, %v", name, report.Problems, err)
		}
	}
}

func TestAuditOfNothing(t *testing.T) {
	if _, err := Audit(filepath.Join(t.TempDir(), "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Audit(dir); !errors.Is(err, ErrNoJournal) {
		t.Errorf("no journal: %v", err)
	}
	w, _, err := Open(dir, Options{Bench: bench})
	if err != nil {
		t.Fatal(err)
	}
	w.Close()
	if r, err := Audit(dir); err != nil || !r.Sound() || r.Records != 0 {
		t.Errorf("a journal without a record: %+v, %v", r, err)
	}
}

// A journal full of damage gives a report of bounded length.
func TestAuditCountsTheRest(t *testing.T) {
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	w.Close()
	fsys.put("/j/"+segmentName(1), bytes.Repeat([]byte("x\n"), MaxProblems+7))
	r, err := audit(fsys, "/j", 0, nil)
	if err != nil || len(r.Problems) != MaxProblems || r.Omitted != 7 {
		t.Errorf("%d problems and %d more, %v", len(r.Problems), r.Omitted, err)
	}
}

// While a daemon appends, the end of a line that is being written is waited for,
// in an audit and by a reader.
func TestLineInTheMaking(t *testing.T) {
	j := writeSmall(t)
	name, data := j.segment(1)
	for half := lastLine(data) + 1; half < len(data); half += 100 {
		now := func() FS { return &growing{FS: j.with(name, data[:half]), name: name, more: data[half:]} }
		if r, err := audit(now(), "/j", 1, nil); err != nil || !r.Sound() || r.Records != 4 {
			t.Fatalf("audit: %+v, %v", r, err)
		}
		if all, err := readAll(now()); err != nil || len(all) != 4 {
			t.Fatalf("%d records, %v", len(all), err)
		}
		if r, err := audit(now(), "/j", 0, nil); err != nil || r.Sound() {
			t.Fatalf("without patience: %+v, %v", r, err)
		}
	}
}

// growing is a file system on which one file grows when its end is first met.
type growing struct {
	FS
	name string
	more []byte
}

type growingFile struct {
	File
	fs *growing
}

func (g *growing) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	f, err := g.FS.OpenFile(name, flag, perm)
	if path.Base(name) == g.name {
		return growingFile{f, g}, err
	}
	return f, err
}

func (f growingFile) ReadAt(b []byte, at int64) (int, error) {
	n, err := f.File.ReadAt(b, at)
	if n == 0 {
		f.File.Write(f.fs.more)
		f.fs.more = nil
	}
	return n, err
}
