package calibrate

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"thimbled/peak"
)

// LargestFile is the most bytes that a table of readings may have.
const LargestFile = 1 << 20

const (
	mostProblems = 20
	mostForce    = 1e10 // N; no reference applies more
	mostRaw      = 1e15
)

// The names of a column with the signal, and with the force in newtons; case does not
// matter.
var (
	rawNames   = []string{"raw", "counts", "mv_per_v", "deflection", "y_deflection", "y"}
	forceNames = []string{"load", "x_load", "x"}
)

// forcePrefixes are followed by a unit of force, as in applied_kN.
var forcePrefixes = []string{"applied_", "force_", "load_"}

// ReadCSV reads readings from a table (RFC 4180) whose first line names the columns: one
// with the signal, called raw, counts, mv_per_v, deflection, y_deflection or y, and one
// with the force, called applied_N, force_N, load_N or with another unit, or load, x_load
// or x for newtons. Other columns are left out. The error tells every problem with its
// line, up to twenty.
func ReadCSV(from io.Reader) ([]Reading, error) {
	data, err := io.ReadAll(io.LimitReader(from, LargestFile+1))
	if err != nil {
		return nil, fmt.Errorf("read readings: %w", err)
	}
	if len(data) > LargestFile {
		return nil, fmt.Errorf("read readings: larger than %d bytes, which no calibration needs", LargestFile)
	}
	r := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(data), "\ufeff")))
	r.ReuseRecord = true
	head, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("read readings: the first line names the columns: %w", err)
	}
	t, err := tableOf(head)
	if err == nil {
		err = t.read(r)
	}
	if err != nil {
		return nil, fmt.Errorf("read readings: %w", err)
	}
	return t.readings, nil
}

// table is where the two columns stand, and what was read from them.
type table struct {
	raw, force int
	head       []string
	newtons    float64 // of one unit of the force
	readings   []Reading
}

func tableOf(head []string) (*table, error) {
	t := &table{raw: -1, force: -1}
	var errs []error
	take := func(place *int, k int, what string) {
		if *place >= 0 {
			errs = append(errs, fmt.Errorf("the columns %s and %s both have the %s: keep one", t.head[*place], t.head[k], what))
		}
		*place = k
	}
	for k, cell := range head {
		t.head = append(t.head, strings.TrimSpace(cell))
		if isOf(rawNames, t.head[k]) {
			take(&t.raw, k, "signal")
		}
		if newtons, ok := forceColumn(t.head[k]); ok {
			take(&t.force, k, "force")
			t.newtons = newtons
		}
	}
	if t.raw < 0 {
		errs = append(errs, fmt.Errorf("there is no column with the signal: call it one of %s", strings.Join(rawNames, ", ")))
	}
	if t.force < 0 {
		errs = append(errs, fmt.Errorf("there is no column with the force: call it applied_N, or applied_ and its unit, or one of %s for newtons",
			strings.Join(forceNames, ", ")))
	}
	return t, errors.Join(errs...)
}

func isOf(names []string, name string) bool {
	return slices.ContainsFunc(names, func(n string) bool { return strings.EqualFold(n, name) })
}

// forceColumn says whether a column has forces, and how many newtons one of its unit is.
func forceColumn(name string) (newtons float64, ok bool) {
	if isOf(forceNames, name) {
		return 1, true
	}
	for _, prefix := range forcePrefixes {
		if unit, found := strings.CutPrefix(name, prefix); found {
			u, err := peak.ParseForceUnit(unit)
			return u.Newtons(), err == nil
		}
	}
	return 0, false
}

func (t *table) read(r *csv.Reader) error {
	var errs []error
	for len(errs) < mostProblems {
		cells, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			errs = append(errs, err)
			if !errors.Is(err, csv.ErrFieldCount) {
				break // what follows cannot be told apart
			}
			continue
		}
		line, _ := r.FieldPos(0)
		raw, err := t.number(cells, t.raw, 1, mostRaw)
		force, err2 := t.number(cells, t.force, t.newtons, mostForce)
		if err := errors.Join(err, err2); err != nil {
			errs = append(errs, fmt.Errorf("line %d: %w", line, err))
			continue
		}
		t.readings = append(t.readings, Reading{Raw: raw, Applied: force})
	}
	return errors.Join(errs...)
}

func (t *table) number(cells []string, place int, unit, most float64) (float64, error) {
	text := strings.TrimSpace(cells[place])
	x, err := strconv.ParseFloat(text, 64)
	x = float64(x * unit)
	switch {
	case err != nil || math.IsNaN(x):
		return 0, fmt.Errorf("%s %q is not a number", t.head[place], text)
	case math.Abs(x) > most:
		return 0, fmt.Errorf("%s %q is out of range", t.head[place], text)
	}
	return x, nil
}
