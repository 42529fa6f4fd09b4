package verify

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// LargestFile is the most bytes that a table of readings may have.
const LargestFile = 1 << 20

const (
	mostProblems = 20
	mostForce    = 1e10 // N; no reference applies more
)

// columns are those a table needs; others are left out.
var columns = [...]string{"run", "applied_N", "indicated_N"}

// ReadCSV reads readings from a table (RFC 4180) whose first line names the columns
// run, applied_N and indicated_N, in any order, among others. The error tells every
// problem with its line, up to twenty.
func ReadCSV(from io.Reader) ([]Reading, error) {
	data, err := io.ReadAll(io.LimitReader(from, LargestFile+1))
	if err != nil {
		return nil, fmt.Errorf("read readings: %w", err)
	}
	if len(data) > LargestFile {
		return nil, fmt.Errorf("read readings: larger than %d bytes, which no verification needs", LargestFile)
	}
	r := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(data), "\ufeff")))
	r.ReuseRecord = true
	head, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("read readings: the first line names the columns: %w", err)
	}
	places, err := placesOf(head)
	if err != nil {
		return nil, fmt.Errorf("read readings: %w", err)
	}
	return readRows(r, places)
}

func placesOf(head []string) (places [len(columns)]int, err error) {
	var errs []error
	for i, name := range columns {
		places[i] = -1
		for k, cell := range head {
			if strings.TrimSpace(cell) != name {
				continue
			}
			if places[i] >= 0 {
				errs = append(errs, fmt.Errorf("the column %s is there twice", name))
			}
			places[i] = k
		}
		if places[i] < 0 {
			errs = append(errs, fmt.Errorf("there is no column %s", name))
		}
	}
	return places, errors.Join(errs...)
}

func readRows(r *csv.Reader, places [len(columns)]int) (out []Reading, err error) {
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
		reading, err := readRow(cells, places)
		if err != nil {
			errs = append(errs, fmt.Errorf("line %d: %w", line, err))
			continue
		}
		out = append(out, reading)
	}
	if len(errs) == 0 && len(out) == 0 {
		errs = append(errs, errors.New("there is no reading"))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("read readings: %w", err)
	}
	return out, nil
}

func readRow(cells []string, places [len(columns)]int) (Reading, error) {
	text := func(i int) string { return strings.TrimSpace(cells[places[i]]) }
	run, err := strconv.Atoi(text(0))
	if err != nil || run < 1 || run > 1000 {
		err = fmt.Errorf("run %q is not a whole number from 1 to 1000", text(0))
	}
	applied, err1 := force(columns[1], text(1))
	indicated, err2 := force(columns[2], text(2))
	if err1 == nil && applied < 0 {
		err1 = fmt.Errorf("applied_N %q is below 0", text(1))
	}
	return Reading{Run: run, Applied: applied, Indicated: indicated}, errors.Join(err, err1, err2)
}

func force(column, text string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.Abs(x) > mostForce {
		return 0, fmt.Errorf("%s %q is not a number of newtons", column, text)
	}
	return x, nil
}
