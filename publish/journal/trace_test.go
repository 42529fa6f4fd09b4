package journal

import (
	"bytes"
	"errors"
	"io"
	"math"
	"math/rand/v2"
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
