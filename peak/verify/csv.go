package verify

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// LargestFile is the most bytes that a table of readings may have.
const LargestFile = 1 << 20

const (
	mostProblems = 20
	mostReadings = 1000
	mostRun      = 1000
	leastForce   = 1e-3 // N
	mostForce    = 1e10 // N; no reference applies more
)

// columns are those a table needs; others are left out.
var columns = [...]string{"run", "applied_N", "indicated_N"}

// ReadCSV reads readings from a table (RFC 4180) whose first line names the columns
// run, applied_N and indicated_N, in any order, among others. The error tells every
// problem with its line and column, which is counted in bytes, up to twenty. A table
// has at most 1000 readings.
func ReadCSV(from io.Reader) ([]Reading, error) {
	data, err := io.ReadAll(io.LimitReader(from, LargestFile+1))
	if err != nil {
		return nil, fmt.Errorf("read readings: %w", err)
	}
	if len(data) > LargestFile {
		return nil, fmt.Errorf("read readings: larger than %d bytes, which no verification needs", LargestFile)
	}
	t := table{csv: csv.NewReader(strings.NewReader(strings.TrimPrefix(string(data), "\ufeff")))}
	t.csv.FieldsPerRecord = -1 // told with the rest
	if t.head(); len(t.problems) == 0 {
		t.body()
	}
	if err := errors.Join(t.problems[:min(len(t.problems), mostProblems)]...); err != nil {
		return nil, fmt.Errorf("read readings: %w", err)
	}
	return t.readings, nil
}

// table is what was read of a table so far.
type table struct {
	csv      *csv.Reader
	width    int
	places   [len(columns)]int
	cells    []string
	readings []Reading
	problems []error
}

// head finds the columns.
func (t *table) head() {
	var err error
	if t.cells, err = t.csv.Read(); err != nil {
		if err == io.EOF {
			err = fmt.Errorf("it is empty; the first line names the columns %s", strings.Join(columns[:], ", "))
		}
		t.problems = append(t.problems, err)
		return
	}
	names := slices.Clone(t.cells)
	for i := range names {
		names[i] = strings.TrimSpace(names[i])
	}
	t.width = len(names)
	for i, name := range columns {
		t.places[i] = slices.Index(names, name)
		if t.places[i] < 0 {
			t.problems = append(t.problems, fmt.Errorf("line 1: there is no column %s%s", name, separatorHint(names)))
		} else if again := slices.Index(names[t.places[i]+1:], name); again >= 0 {
			t.wrong(t.places[i]+1+again, "the column %s is there twice", name)
		}
	}
}

func separatorHint(names []string) string {
	if len(names) == 1 && strings.ContainsAny(names[0], ";\t") {
		return "; a comma separates columns"
	}
	return ""
}

func (t *table) body() {
	for len(t.problems) < mostProblems {
		var err error
		switch t.cells, err = t.csv.Read(); {
		case err == io.EOF:
			if len(t.readings) == 0 && len(t.problems) == 0 {
				t.problems = append(t.problems, errors.New("there is no reading"))
			}
			return
		case err != nil: // what follows cannot be told apart
			t.problems = append(t.problems, err)
			return
		case len(t.cells) != t.width:
			t.wrong(0, "%d columns, the first line names %d", len(t.cells), t.width)
		case len(t.readings) == mostReadings:
			t.wrong(0, "more than %d readings, which no verification needs", mostReadings)
			return
		default:
			t.readings = append(t.readings, Reading{Run: t.run(), Applied: t.applied(), Indicated: t.force(2)})
		}
	}
}

func (t *table) text(column int) string { return strings.TrimSpace(t.cells[t.places[column]]) }

func (t *table) run() int {
	run, err := strconv.Atoi(t.text(0))
	if err != nil || run < 1 || run > mostRun {
		t.wrong(t.places[0], "run %s is not a whole number from 1 to %d", quote(t.text(0)), mostRun)
	}
	return run
}

func (t *table) applied() float64 {
	f := t.force(1)
	if f < 0 || f > 0 && f < leastForce {
		t.wrong(t.places[1], "applied_N %s is neither 0 nor at least %v", quote(t.text(1)), leastForce)
	}
	return f
}

// force reads a decimal number.
func (t *table) force(column int) float64 {
	text := t.text(column)
	x, err := strconv.ParseFloat(text, 64)
	switch {
	case strings.Contains(text, ","):
		t.wrong(t.places[column], "%s %s has a comma: write a decimal point and no thousands separator", columns[column], quote(text))
	case err != nil || strings.Trim(text, "+-.0123456789eE") != "" || math.Abs(x) > mostForce:
		t.wrong(t.places[column], "%s %s is not a number of newtons", columns[column], quote(text))
	default:
		return x
	}
	return 0
}

// wrong tells of a problem with a cell of the line in hand.
func (t *table) wrong(cell int, format string, args ...any) {
	line, column := t.csv.FieldPos(cell)
	t.problems = append(t.problems, fmt.Errorf("line %d, column %d: %w", line, column, fmt.Errorf(format, args...)))
}

// quote shows what was written, cut short if it is long.
func quote(s string) string {
	const longest = 40
	if len(s) > longest {
		s = strings.ToValidUTF8(s[:longest], "") + "..."
	}
	return strconv.Quote(s)
}
