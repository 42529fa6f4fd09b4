package journal

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"thimbled/peak"
)

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
