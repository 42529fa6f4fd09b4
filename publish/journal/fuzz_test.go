package journal

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// What is taken as a line is, byte for byte, a line as it would be written.
func FuzzLine(f *testing.F) {
	j := writeLoft(f, 1<<20)
	for _, r := range j.records {
		f.Add(r.Line)
	}
	f.Add([]byte(nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := newHasher().take(b)
		if err != nil || !e.stamps() {
			// The fuzzer cannot guess a hash; give the bytes the right one.
			e, err = newHasher().take(sealed(b))
		}
		if err != nil || !e.stamps() {
			return
		}
		r, err := e.record()
		if err != nil {
			t.Fatal(err)
		}
		recorded, err := time.Parse(time.RFC3339Nano, string(e.recorded))
		if err != nil {
			t.Fatal(err)
		}
		line, hash := newHasher().appendLine(nil, string(e.bench), e.number, r.Event, recorded, digest(e.previous))
		if !bytes.Equal(line, e.line) || hash != e.hash {
			t.Fatalf("taken  %s\nwritten %s", e.line, line)
		}
		if check(r.Event) == nil && !bytes.Equal(r.Line, line) {
			t.Fatalf("the record has another line: %s", r.Line)
		}
	})
}

// sealed returns the bytes of a line, up to its line hash, with the line hash
// that they need.
func sealed(b []byte) []byte {
	if i := bytes.LastIndex(b, []byte(hashMember)); i >= 0 {
		b = b[:i]
	}
	own := newHasher().body(b)
	b = append(bytes.Clone(b), hashMember...)
	return append(append(b, own[:]...), closing...)
}

// The trace reader against encoding/csv, strconv and math/big: both take the
// same readings, or both refuse.
func FuzzTraceReader(f *testing.F) {
	f.Add(writeTrace(f, newMemFS(), randomRows(1, 6), 0))
	for _, s := range []string{
		"elapsed_s,force_N,pressure_Pa,quality\n1.5,12345.678,42,\n2,,,timeout\n",
		"note,quality,\"force_N\",pressure_Pa,elapsed_s\r\n\"a,\"\"\r\nb\",,\"-1e3\",,0\r\n",
		"\xEF\xBB\xBFforce_N,elapsed_s,quality,pressure_Pa,force_raw\n1,2,,3,4e-2\n\n",
		"elapsed_s,force_N,pressure_Pa,quality\n\"1",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > rowBuffer || loneReturn(b) || longExponent.Match(b) {
			return
		}
		got, err := readTraceFrom(bytes.NewReader(b))
		want, ok := readByStandardLibrary(b)
		if (err == nil) != ok {
			t.Fatalf("%q: %v, by the standard library %v", b, err, ok)
		}
		if !ok {
			var wrong *TraceError
			if !errors.As(err, &wrong) || wrong.Line < 1 || wrong.Line > 1+bytes.Count(b, []byte("\n")) {
				t.Fatalf("%q: %v", b, err)
			}
			return
		}
		if len(got) != len(want) {
			t.Fatalf("%q: %d rows, by the standard library %d", b, len(got), len(want))
		}
		for i := range got {
			if !sameRow(got[i], want[i]) {
				t.Fatalf("%q: row %d: %+v, by the standard library %+v", b, i, got[i], want[i])
			}
		}
	})
}

// longExponent is more than math/big takes.
var longExponent = regexp.MustCompile(`[eE][+-]?[0-9]{4}`)

// loneReturn reports a carriage return that ends no line. encoding/csv
// and this package differ in what they make of it inside and at the end of a
// cell, and no trace has one.
func loneReturn(b []byte) bool {
	return bytes.Contains(bytes.ReplaceAll(b, []byte("\r\n"), nil), []byte("\r"))
}

// readByStandardLibrary reads a trace in the plainest way there is.
func readByStandardLibrary(b []byte) (all []row, ok bool) {
	c := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b, []byte("\xEF\xBB\xBF"))))
	header, err := c.Read()
	if err != nil {
		return nil, false
	}
	at := map[string]int{}
	for i, name := range header {
		if _, twice := at[name]; twice && slices.Contains(columnNames[1:], name) {
			return nil, false
		}
		at[name] = i
	}
	for _, name := range []string{"elapsed_s", "force_N", "pressure_Pa", "quality"} {
		if _, ok := at[name]; !ok {
			return nil, false
		}
	}
	for {
		cells, err := c.Read()
		if err == io.EOF {
			return all, true
		}
		if err != nil {
			return nil, false
		}
		r, ok := rowOf(at, cells)
		if !ok || r.At < 0 || len(all) > 0 && r.At <= all[len(all)-1].At {
			return nil, false
		}
		all = append(all, r)
	}
}

func rowOf(at map[string]int, cells []string) (r row, ok bool) {
	number := func(name string, places int, limit int64) int64 {
		n, isNumber := exactly(cells[at[name]], places)
		if !isNumber || !n.IsInt64() || n.Int64() > limit || n.Int64() < -limit {
			ok = false
			return 0
		}
		return n.Int64()
	}
	ok = true
	r.At = time.Duration(number("elapsed_s", 9, int64(maxElapsed)))
	quality, known := peak.ParseQuality(cells[at["quality"]])
	r.Quality = quality
	if quality == peak.Good {
		r.Force = peak.Force(number("force_N", 3, int64(maxForce)-1))
	}
	if cells[at["pressure_Pa"]] != "" {
		r.Pressure = peak.Known(peak.Pressure(number("pressure_Pa", 0, int64(maxPressure))))
	}
	r.raw = math.NaN()
	if i, scaled := at["force_raw"]; scaled && cells[i] != "" {
		var err error
		r.raw, err = strconv.ParseFloat(cells[i], 64)
		ok = ok && err == nil && decimalForm.MatchString(cells[i])
	}
	return r, ok && known
}

// Whatever the files hold, an audit and an opening end with an answer.
func FuzzAudit(f *testing.F) {
	j := writeSmall(f)
	_, first := j.segment(0)
	_, second := j.segment(1)
	trace := j.fsys.bytesOf("/j/" + traceName(1))
	f.Add(first, second, trace)
	f.Add(second, first, []byte(nil))
	f.Add(first[:100], second[:1], trace[:9])
	f.Fuzz(func(t *testing.T, a, b, c []byte) {
		fsys := j.fsys.copyFiles()
		fsys.put("/j/"+j.segments[0], a)
		fsys.put("/j/"+j.segments[1], b)
		fsys.put("/j/"+traceName(1), c)
		report, err := audit(fsys, "/j", 0, nil)
		if err != nil {
			t.Fatal(err)
		}
		if same := bytes.Equal(a, first) && bytes.Equal(b, second) && bytes.Equal(c, trace); report.Sound() != same && len(b) > 0 {
			t.Fatalf("sound: %v, unchanged: %v: %v", report.Sound(), same, report.Problems)
		}
		w, opened, err := Open("/j", options(fsys))
		if err != nil {
			return
		}
		defer w.Close()
		if _, err := w.Append(publish.Event{Type: "thimbled.daemon.started", Time: epoch, Data: []byte("{}")}); err != nil {
			t.Fatal(err)
		}
		if all, err := readAll(fsys); err != nil || uint64(len(all)) != opened.Last+1 {
			t.Fatalf("%d records after %d: %v", len(all), opened.Last, err)
		}
	})
}
