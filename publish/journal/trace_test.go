package journal

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"thimbled/peak"
)

// row is a reading with its raw value.
type row struct {
	peak.Reading
	raw float64
}

// readTraceFrom reads all rows of a trace.
func readTraceFrom(from io.Reader) (all []row, err error) {
	t, err := NewTraceReader(from)
	if err != nil {
		return nil, err
	}
	for {
		var r row
		r.raw, err = t.Next(&r.Reading)
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		all = append(all, r)
	}
}

func sameRow(a, b row) bool {
	return a.Reading == b.Reading && (a.raw == b.raw || math.IsNaN(a.raw) && math.IsNaN(b.raw))
}

// randomRows returns rows of every kind, their times counted from the first.
func randomRows(seed uint64, n int) []row {
	chance := rand.New(rand.NewPCG(seed, 1))
	all := make([]row, n)
	at := time.Duration(0)
	for i := range all {
		r := row{peak.Reading{At: at}, math.NaN()}
		if r.Quality = peak.Quality(max(0, chance.IntN(30)-20)); r.Quality > peak.Disconnected {
			r.Quality = peak.Good
		}
		if r.Quality == peak.Good {
			r.Force = peak.Force(chance.Int64N(2*int64(maxForce)-1)-int64(maxForce)+1) >> chance.IntN(60)
		}
		if chance.IntN(2) == 0 {
			r.Pressure = peak.Known(peak.Pressure(chance.Int64N(2*int64(maxPressure))-int64(maxPressure)) >> chance.IntN(50))
		}
		if chance.IntN(3) > 0 {
			r.raw = (chance.Float64() - 0.5) * math.Pow(10, float64(chance.IntN(40)-20))
		}
		all[i] = r
		at += 1 + time.Duration(chance.Int64N(int64(time.Second)))>>chance.IntN(30)
	}
	return all
}

// writeTrace writes rows as the trace of the first record and returns its bytes.
func writeTrace(t testing.TB, fsys *memFS, rows []row, start time.Duration) []byte {
	t.Helper()
	w, _ := open(t, options(fsys))
	defer w.Close()
	trace, err := w.StartTrace(1, true)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		r.At += start
		if err := trace.Add(r.Reading, r.raw); err != nil {
			t.Fatal(err)
		}
	}
	sealed, err := trace.Close()
	if err != nil {
		t.Fatal(err)
	}
	b := fsys.bytesOf("/j/" + traceName(1))
	if sealed.Name != "traces/000000000001.csv" || sealed.SHA256 != sha256Hex(b) {
		t.Fatalf("sealed as %+v", sealed)
	}
	if len(rows) > 0 && trace.Start() != start {
		t.Fatalf("started at %v, want %v", trace.Start(), start)
	}
	return b
}

func TestTraceReadIsTraceWritten(t *testing.T) {
	for seed := range uint64(20) {
		rows := randomRows(seed, 500)
		b := writeTrace(t, newMemFS(), rows, 17*time.Minute+3)
		for _, from := range []io.Reader{bytes.NewReader(b), iotest.OneByteReader(bytes.NewReader(b)), iotest.DataErrReader(bytes.NewReader(b))} {
			got, err := readTraceFrom(from)
			if err != nil || len(got) != len(rows) {
				t.Fatalf("seed %d: %d rows, %v", seed, len(got), err)
			}
			for i := range rows {
				if !sameRow(got[i], rows[i]) {
					t.Fatalf("seed %d, row %d: %+v, want %+v", seed, i, got[i], rows[i])
				}
			}
		}
	}
}

func TestTraceBytes(t *testing.T) {
	rows := []row{
		{peak.Reading{Force: 100_012_500, Pressure: peak.Known(peak.Pressure(1_250_000))}, 0.5},
		{peak.Reading{At: 20 * time.Millisecond, Force: -1}, math.NaN()},
		{peak.Reading{At: 40_000_001, Quality: peak.OverRange, Pressure: peak.Known(peak.Pressure(-3))}, 65535},
	}
	const want = "elapsed_s,force_N,pressure_Pa,quality,force_raw\r\n" +
		"0,100012.5,1250000,,0.5\r\n" +
		"0.02,-0.001,,,\r\n" +
		"0.040000001,,-3,over-range,65535\r\n"
	if got := writeTrace(t, newMemFS(), rows, time.Hour); string(got) != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestTraceWriterRefuses(t *testing.T) {
	w, _ := open(t, options(newMemFS()))
	trace, err := w.StartTrace(1, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		r    peak.Reading
		good bool
	}{
		{peak.Reading{At: 5}, true},
		{peak.Reading{At: 5}, false},
		{peak.Reading{At: 4}, false},
		{peak.Reading{At: 6, Force: maxForce}, false},
		{peak.Reading{At: 6, Force: -maxForce}, false},
		{peak.Reading{At: 6, Force: maxForce, Quality: peak.Garbled}, true},
	} {
		if err := trace.Add(c.r, 0); (err == nil) != c.good || errors.Is(err, ErrFailed) {
			t.Errorf("%+v: %v", c.r, err)
		}
	}
	if trace.rows != 2 || w.Failed() != nil {
		t.Errorf("%d rows, %v", trace.rows, w.Failed())
	}
}

func TestTraceReaderTakes(t *testing.T) {
	good := row{peak.Reading{At: 1500 * time.Millisecond, Force: 12_345_678, Pressure: peak.Known(peak.Pressure(42))}, math.NaN()}
	for name, text := range map[string]string{
		"line feeds":           "elapsed_s,force_N,pressure_Pa,quality\n1.5,12345.678,42,\n",
		"CRLF":                 "elapsed_s,force_N,pressure_Pa,quality\r\n1.5,12345.678,42,\r\n",
		"no end":               "elapsed_s,force_N,pressure_Pa,quality\r\n1.5,12345.678,42,",
		"other order":          "quality,pressure_Pa,elapsed_s,force_N\n,42,1.5,12345.678\n",
		"more columns":         "note,elapsed_s,force_N,pressure_Pa,quality,force_n\nx,1.5,12345.678,42,,99\n",
		"quoted":               "\"elapsed_s\",\"force_N\",pressure_Pa,quality\n\"1.5\",12345.678,\"42\",\"\"\n",
		"quoted note":          "elapsed_s,note,force_N,pressure_Pa,quality\n1.5,\"a \"\"b\"\", c\r\n\nd\",12345.678,42,\n",
		"byte order mark":      "\xEF\xBB\xBFelapsed_s,force_N,pressure_Pa,quality\n1.5,12345.678,42,\n",
		"empty lines":          "\r\n\nelapsed_s,force_N,pressure_Pa,quality\n\n1.5,12345.678,42,\n\r\n",
		"exponents":            "elapsed_s,force_N,pressure_Pa,quality\n15e-1,1.2345678E+4,4.2e1,\n",
		"signs and zeros":      "elapsed_s,force_N,pressure_Pa,quality\n+01.500,+0012345.678000,042.,\n",
		"half rounds up":       "elapsed_s,force_N,pressure_Pa,quality\n1.5000000004,12345.6775,41.5,\n",
		"below half":           "elapsed_s,force_N,pressure_Pa,quality\n1.49999999950,12345.67849999999999999999999,42.49,\n",
		"column named nothing": "elapsed_s,force_N,pressure_Pa,quality,,\n1.5,12345.678,42,,a,b\n",
	} {
		got, err := readTraceFrom(strings.NewReader(text))
		if err != nil || len(got) != 1 || !sameRow(got[0], good) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	got, err := readTraceFrom(strings.NewReader("elapsed_s,force_N,pressure_Pa,quality\n0,-0.0005,-0.5,\n1,nonsense,,timeout\n"))
	if err != nil || len(got) != 2 || got[0].Force != -1 || got[0].Pressure.Value != -1 || got[1].Reading != (peak.Reading{At: time.Second, Quality: peak.Timeout}) {
		t.Errorf("rounding away from zero, and a bad row with a force: %+v, %v", got, err)
	}
	if got, err := readTraceFrom(strings.NewReader("elapsed_s,force_N,pressure_Pa,quality\n")); err != nil || len(got) != 0 {
		t.Errorf("a header alone: %v, %v", got, err)
	}
}

func TestTraceReaderRefuses(t *testing.T) {
	const header = "elapsed_s,force_N,pressure_Pa,quality\n"
	for text, want := range map[string]string{
		"":                                                       "line 1: there is no header",
		"elapsed_s,force_N,quality\n":                            "line 1, column pressure_Pa: is missing from the header",
		"elapsed_s,force_n,pressure_Pa,quality":                  "line 1, column force_N: is missing from the header",
		"elapsed_s, force_N,pressure_Pa,quality":                 "line 1, column force_N: is missing from the header",
		"force_N,elapsed_s,force_N,quality\n":                    "line 1, column force_N: stands twice in the header",
		"\"elapsed_s,force_N\n":                                  "line 1: has a quote that is not closed",
		header + "1,2,3\n":                                       "line 2: has 3 columns where the header has 4",
		header + "1,2,3,,\n":                                     "line 2: has more than the 4 columns of the header",
		header + "1,2,3,\n1,2,3,\n":                              `line 3, column elapsed_s: "1" does not rise`,
		header + "1,2,3,\n0.9,2,3,\n":                            `line 3, column elapsed_s: "0.9" does not rise`,
		header + "1,2,3,\n1.0000000001,2,3,\n":                   `line 3, column elapsed_s: "1.0000000001" does not rise`,
		header + "-1,2,3,\n":                                     `line 2, column elapsed_s: "-1" does not rise`,
		header + ",2,3,\n":                                       "line 2, column elapsed_s: is empty",
		header + "1,,3,\n":                                       "line 2, column force_N: is empty although the quality is good",
		header + "1,2,3,good\n":                                  `line 2, column quality: "good" is no quality`,
		header + "1,2,3, \n":                                     `line 2, column quality: " " is no quality`,
		header + "1,NaN,3,\n":                                    `line 2, column force_N: "NaN" is not a number`,
		header + "1,inf,3,\n":                                    `line 2, column force_N: "inf" is not a number`,
		header + "1,0x10,3,\n":                                   `line 2, column force_N: "0x10" is not a number`,
		header + "1,1_000,3,\n":                                  `line 2, column force_N: "1_000" is not a number`,
		header + "1, 2,3,\n":                                     `line 2, column force_N: " 2" is not a number`,
		header + "1,\"1,5\",3,\n":                                `line 2, column force_N: "1,5" is not a number`,
		header + "1,.,3,\n":                                      `line 2, column force_N: "." is not a number`,
		header + "1,1.2.3,3,\n":                                  `line 2, column force_N: "1.2.3" is not a number`,
		header + "1,1e,3,\n":                                     `line 2, column force_N: "1e" is not a number`,
		header + "1,--1,3,\n":                                    `line 2, column force_N: "--1" is not a number`,
		header + "1,1e12,3,\n":                                   `line 2, column force_N: "1e12" is out of range`,
		header + "1,-1e999999999999,3,\n":                        `line 2, column force_N: "-1e999999999999" is out of range`,
		header + "1,99999999999999999999,3,\n":                   `line 2, column force_N: "99999999999999999999" is out of range`,
		header + "1,2,1e13,\n":                                   `line 2, column pressure_Pa: "1e13" is out of range`,
		header + "1e10,2,3,\n":                                   `line 2, column elapsed_s: "1e10" is out of range`,
		header + "1,2\"2,3,\n":                                   "line 2: has a quote inside a cell that does not begin with one",
		header + "1,2\"\",3,\n":                                  "line 2: has a quote inside a cell that does not begin with one",
		header + "1,\"2\"2\",3,\n":                               "line 2: has text behind a closing quote",
		header + "1,\"2\"x\"\",3,\n":                             "line 2: has text behind a closing quote",
		"a," + header + "\"x\ny\",1,2,3,\nz,0,2,3,\n":            `line 4, column elapsed_s: "0" does not rise`,
		header + "1," + strings.Repeat("0", rowBuffer) + ",3,\n": "line 2: is longer than 65536 bytes",
		header + "1,2,3," + strings.Repeat("x", 100) + "\n":      `line 2, column quality: "` + strings.Repeat("x", 40) + `" is no quality`,
		"elapsed_s,force_N,pressure_Pa,quality,force_raw\n1,2,3,,NaN\n":   `line 2, column force_raw: "NaN" is not a number`,
		"elapsed_s,force_N,pressure_Pa,quality,force_raw\n1,2,3,,1e400\n": `line 2, column force_raw: "1e400" is out of range`,
	} {
		got, err := readTraceFrom(strings.NewReader(text))
		var wrong *TraceError
		if !errors.As(err, &wrong) || wrong.Error() != want {
			t.Errorf("%.80q: %v, %v; want %s", text, got, err, want)
		}
	}
}

func TestTraceReaderPassesErrorsOn(t *testing.T) {
	const text = "elapsed_s,force_N,pressure_Pa,quality\n1,2,3,\n"
	_, err := readTraceFrom(io.MultiReader(strings.NewReader(text), iotest.ErrReader(io.ErrUnexpectedEOF)))
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("%v", err)
	}
	if _, err := readTraceFrom(iotest.ErrReader(io.ErrClosedPipe)); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("%v", err)
	}
}

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
	if _, err := w.RecoverTrace(1, nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no trace: %v", err)
	}
	fsys.put("/j/"+traceName(1), make([]byte, 300))
	var wrong *TraceError
	if _, err := w.RecoverTrace(1, nil); !errors.As(err, &wrong) || wrong.Line != 1 {
		t.Errorf("no header: %v", err)
	}
	if err := w.Failed(); err != nil {
		t.Errorf("the journal has failed: %v", err)
	}
}

// The trace is durable up to the last second of its readings as it goes.
func TestTraceIsSyncedAsItGoes(t *testing.T) {
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	trace, err := w.StartTrace(1, false)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3000 {
		if err := trace.Add(peak.Reading{At: time.Hour + time.Duration(i)*20*time.Millisecond}, 0); err != nil {
			t.Fatal(err)
		}
		durable := bytes.Count(fsys.powerCut().bytesOf("/j/"+traceName(1)), []byte("\n"))
		if durable-1 < i-50 {
			t.Fatalf("%d of %d rows are durable", durable-1, i+1)
		}
	}
}

func TestTraceReaderAllocatesNothing(t *testing.T) {
	var b strings.Builder
	b.WriteString("elapsed_s,force_N,pressure_Pa,quality,note,force_raw\n")
	const n = 20_000
	for i := range n {
		fmt.Fprintf(&b, "%d.02,%d.5,%d,%s,\"a \"\"b\"\"\",%d.25\r\n", i, i*3, i*100, peak.Quality(i%3), i)
	}
	text := b.String()
	count := 0
	allocs := testing.AllocsPerRun(3, func() {
		r, err := NewTraceReader(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		var reading peak.Reading
		for count = 0; ; count++ {
			if _, err = r.Next(&reading); err != nil {
				break
			}
		}
		if err != io.EOF {
			t.Fatal(err)
		}
	})
	if count != n || allocs > 30 {
		t.Errorf("%v allocations for %d rows", allocs, count)
	}
}

// day is a part of a day at 50 Hz, as the writer writes it.
func day(rows int) []byte {
	var b bytes.Buffer
	b.WriteString(traceHeader + lineEnd)
	chance := rand.New(rand.NewPCG(1, 2))
	for i := range rows {
		force := peak.Force(i%9000) * 11 * peak.Newton
		force += peak.Force(chance.IntN(2000)) * peak.Newton / 10
		line := peak.AppendSeconds(nil, time.Duration(i)*20*time.Millisecond+time.Duration(chance.IntN(1_000_000)))
		line = append(line, ',')
		line = force.AppendNewtons(line)
		line = append(line, ',')
		if i%5 == 0 {
			line = fmt.Append(line, int64(force)/9)
		}
		b.Write(append(line, ",\r\n"...))
	}
	return b.Bytes()
}

func BenchmarkTraceReader(b *testing.B) {
	const rows = 432_000 // a tenth of a day
	text := day(rows)
	b.Run("TraceReader", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		b.ReportAllocs()
		for b.Loop() {
			t, err := NewTraceReader(bytes.NewReader(text))
			var r peak.Reading
			for err == nil {
				_, err = t.Next(&r)
			}
			if err != io.EOF {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows, "ns/row")
	})
	b.Run("encoding/csv and strconv", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		b.ReportAllocs()
		for b.Loop() {
			c := csv.NewReader(bytes.NewReader(text))
			c.ReuseRecord = true
			var cells []string
			var err error
			for err == nil {
				if cells, err = c.Read(); err == nil {
					for _, cell := range cells {
						strconv.ParseFloat(cell, 64)
					}
				}
			}
			if err != io.EOF {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows, "ns/row")
	})
}
