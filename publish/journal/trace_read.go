package journal

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"thimbled/peak"
)

// TraceError is a place where a trace is not what a trace must be.
type TraceError struct {
	Line   int    // from 1, the header
	Column string // empty when the row as a whole is meant
	Reason string
}

// Error names the place and the reason.
func (e *TraceError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("line %d: %s", e.Line, e.Reason)
	}
	return fmt.Sprintf("line %d, %s", e.Line, e.inRow())
}

// inRow says what is wrong without the line.
func (e *TraceError) inRow() string {
	if e.Column == "" {
		return e.Reason
	}
	return fmt.Sprintf("column %s: %s", e.Column, e.Reason)
}

// column is what a column of a trace means.
type column uint8

const (
	ignored column = iota
	elapsedColumn
	forceColumn
	pressureColumn
	qualityColumn
	rawColumn
	columns
)

var columnNames = [columns]string{"", "elapsed_s", "force_N", "pressure_Pa", "quality", "force_raw"}

// What a trace can hold. The core's sums hold for forces below maxForce.
const (
	maxElapsed  = 1_000_000_000 * time.Second
	maxForce    = peak.Force(1e12) * peak.Newton
	maxPressure = peak.Pressure(1e12)
)

// TraceReader reads a trace as a stream, in constant memory and without an
// allocation per row: CSV as of RFC 4180, lines ended by CRLF or LF, the columns
// in any order, more columns allowed. It is strict: what is not a trace is a
// *TraceError with its place, never a reading.
type TraceReader struct {
	rows    rows
	columns []column
	scaled  bool
	cells   [columns][]byte
	last    time.Duration
	any     bool  // there was a reading
	err     error // what ended the reading
}

// NewTraceReader reads the header of a trace. A byte order mark before it is
// skipped.
func NewTraceReader(from io.Reader) (*TraceReader, error) {
	t := &TraceReader{rows: newRows(from)}
	if err := t.readHeader(); err != nil {
		return nil, fmt.Errorf("read trace: %w", err)
	}
	return t, nil
}

func (t *TraceReader) readHeader() error {
	err := t.rows.next()
	if err == io.EOF {
		return &TraceError{Line: 1, Reason: "there is no header"}
	}
	if err != nil {
		return err
	}
	var seen [columns]bool
	for more := true; more; {
		var name []byte
		if name, more, err = t.rows.cell(); err != nil {
			return err
		}
		c := max(0, slices.Index(columnNames[:], string(name)))
		if c > 0 && seen[c] {
			return &TraceError{Line: t.rows.line, Column: columnNames[c], Reason: "stands twice in the header"}
		}
		seen[c] = true
		t.columns = append(t.columns, column(c))
	}
	for c := elapsedColumn; c <= qualityColumn; c++ {
		if !seen[c] {
			return &TraceError{Line: t.rows.line, Column: columnNames[c], Reason: "is missing from the header"}
		}
	}
	t.scaled = seen[rawColumn]
	return nil
}

// Scaled says that the trace has the raw values of its forces.
func (t *TraceReader) Scaled() bool { return t.scaled }

// Next reads the next reading; its time counts from the beginning of the trace.
// raw is what the force was scaled from, not a number if that is not known.
// At the end it returns io.EOF.
func (t *TraceReader) Next(r *peak.Reading) (raw float64, err error) {
	if t.err != nil {
		return 0, t.err
	}
	if err = t.split(); err == nil {
		raw, err = t.interpret(r)
	}
	if err != nil && err != io.EOF {
		err = fmt.Errorf("read trace: %w", err)
	}
	t.err = err
	return raw, err
}

// split reads a row and sorts its cells by what they mean.
func (t *TraceReader) split() error {
	if err := t.rows.next(); err != nil {
		return err
	}
	more := true
	for i, c := range t.columns {
		if !more {
			return t.rows.wrong(fmt.Sprintf("has %d columns where the header has %d", i, len(t.columns)))
		}
		var err error
		if t.cells[c], more, err = t.rows.cell(); err != nil {
			return err
		}
	}
	if more {
		return t.rows.wrong(fmt.Sprintf("has more than the %d columns of the header", len(t.columns)))
	}
	return nil
}

// interpret makes a reading of the cells.
func (t *TraceReader) interpret(r *peak.Reading) (raw float64, err error) {
	at, err := t.number(elapsedColumn, secondsPlaces, int64(maxElapsed))
	if err != nil {
		return 0, err
	}
	if at < 0 || t.any && time.Duration(at) <= t.last {
		return 0, t.wrong(elapsedColumn, errNotRising)
	}
	*r = peak.Reading{At: time.Duration(at)}
	t.last, t.any = r.At, true
	var ok bool
	if cell := t.cells[qualityColumn]; len(cell) > 0 {
		if r.Quality, ok = peak.ParseQuality(string(cell)); !ok {
			return 0, t.wrong(qualityColumn, errNoQuality)
		}
	}
	if r.Quality == peak.Good {
		if len(t.cells[forceColumn]) == 0 {
			return 0, t.wrong(forceColumn, errNoForce)
		}
		force, err := t.number(forceColumn, forcePlaces, int64(maxForce)-1)
		if err != nil {
			return 0, err
		}
		r.Force = peak.Force(force)
	}
	if len(t.cells[pressureColumn]) > 0 {
		pressure, err := t.number(pressureColumn, pressurePlaces, int64(maxPressure))
		if err != nil {
			return 0, err
		}
		r.Pressure = peak.Known(peak.Pressure(pressure))
	}
	return t.raw()
}

// Why a cell is wrong.
var (
	errNotRising = errors.New("does not rise")
	errNoQuality = errors.New("is no quality")
	errEmpty     = errors.New("is empty")
	errNoForce   = errors.New("is empty although the quality is good")
)

// number returns the number in a cell, which must not be above the limit in size.
func (t *TraceReader) number(c column, places int, limit int64) (int64, error) {
	cell := t.cells[c]
	if len(cell) == 0 {
		return 0, t.wrong(c, errEmpty)
	}
	n, err := parseDecimal(cell, places)
	if err == nil && (n > limit || n < -limit) {
		err = errTooLarge
	}
	if err != nil {
		return 0, t.wrong(c, err)
	}
	return n, nil
}

// raw returns the raw value of a row.
func (t *TraceReader) raw() (float64, error) {
	cell := t.cells[rawColumn]
	if len(cell) == 0 {
		return math.NaN(), nil
	}
	if _, err := parseDecimal(cell, 0); errors.Is(err, errNotNumber) {
		return 0, t.wrong(rawColumn, err)
	}
	f, err := strconv.ParseFloat(string(cell), 64)
	if err != nil {
		return 0, t.wrong(rawColumn, errTooLarge)
	}
	return f, nil
}

// wrong names a cell and says why it is wrong.
func (t *TraceReader) wrong(c column, why error) error {
	cell := t.cells[c]
	reason := why.Error()
	if len(cell) > 0 {
		reason = strconv.Quote(string(cell[:min(len(cell), 40)])) + " " + reason
	}
	return &TraceError{Line: t.rows.line, Column: columnNames[c], Reason: reason}
}
