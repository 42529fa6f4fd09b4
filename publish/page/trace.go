package page

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strconv"
	"time"

	"thimbled/peak"
)

// unseen is how far apart two good readings of a trace are when the curve is
// broken between them.
const unseen = 500 * time.Millisecond

// The bounds of what a trace may hold.
const (
	mostSeconds = 1e9
	mostAmount  = 1e12 // newtons or pascals
)

// readCurve reads a trace, CSV with a header, columns in any order, and thins
// its net force: what was indicated less the offset, zero and tare together.
func readCurve(from io.Reader, offset peak.Force) ([]point, error) {
	rows := csv.NewReader(from)
	rows.ReuseRecord = true
	header, err := rows.Read()
	if err != nil {
		return nil, fmt.Errorf("read trace: %w", err)
	}
	c := columnsOf(header)
	if c.elapsed < 0 || c.force < 0 {
		return nil, errors.New("read trace: it has no column elapsed_s or force_N")
	}
	curve, last := newThinned(), peak.Maybe[time.Duration]{}
	for {
		row, err := rows.Read()
		if err == io.EOF {
			return curve.points, nil
		}
		if err != nil {
			return nil, fmt.Errorf("read trace: %w", err)
		}
		p, err := c.point(row, offset)
		if err != nil {
			line, _ := rows.FieldPos(0)
			return nil, fmt.Errorf("read trace: line %d: %w", line, err)
		}
		if !p.min.Known {
			continue
		}
		if last.Known && p.at-last.Value > unseen {
			curve.add(point{at: last.Value + (p.at-last.Value)/2})
		}
		last = peak.Known(p.at)
		curve.add(p)
	}
}

// columns are the places of a trace's columns, -1 where there is none.
type columns struct{ elapsed, force, pressure, quality int }

func columnsOf(header []string) columns {
	at := func(name string) int { return slices.Index(header, name) }
	return columns{at("elapsed_s"), at("force_N"), at("pressure_Pa"), at("quality")}
}

// point is a row; without a force when its reading is bad.
func (c columns) point(row []string, offset peak.Force) (point, error) {
	elapsed, err := number(row[c.elapsed], mostSeconds)
	if err != nil {
		return point{}, err
	}
	p := point{at: time.Duration(math.Round(elapsed * float64(time.Second)))}
	if c.quality >= 0 && row[c.quality] != "" || row[c.force] == "" {
		return p, nil
	}
	newtons, err := number(row[c.force], mostAmount)
	if err != nil {
		return point{}, err
	}
	p.min = peak.Known(peak.Force(math.Round(newtons*float64(peak.Newton))) - offset)
	p.max = p.min
	if c.pressure >= 0 && row[c.pressure] != "" {
		pascals, err := number(row[c.pressure], mostAmount)
		if err != nil {
			return point{}, err
		}
		p.pressure = peak.Known(peak.Pressure(math.Round(pascals)))
	}
	return p, nil
}

func number(cell string, most float64) (float64, error) {
	x, err := strconv.ParseFloat(cell, 64)
	if err != nil || math.IsNaN(x) || math.Abs(x) > most {
		return 0, fmt.Errorf("%q is no number that a trace can hold", cell)
	}
	return x, nil
}

// servePullCurve answers with the thinned curve of one of the last pulls.
func (p *Page) servePullCurve(w http.ResponseWriter, r *http.Request) {
	pull, err := strconv.ParseInt(r.PathValue("number"), 10, 64)
	if err != nil {
		refuse(w, http.StatusNotFound, "pulls have numbers")
		return
	}
	source, ok := p.history.curveOf(pull)
	if !ok {
		refuse(w, http.StatusNotFound, fmt.Sprintf("pull %d is not one of the last pulls, or has no trace", pull))
		return
	}
	tag := `"` + source.digest + `"`
	if r.Header.Get("If-None-Match") == tag {
		send(w, r, nil, "application/json", tag)
		return
	}
	select { // one at a time, so that readers of long traces take little from the loop
	case p.traces <- struct{}{}:
		defer func() { <-p.traces }()
	case <-r.Context().Done():
		return
	}
	points, err := p.readTrace(source)
	if err != nil {
		refuse(w, http.StatusInternalServerError, fmt.Sprintf("the trace of pull %d cannot be shown: %v", pull, err))
		return
	}
	body := appendPoints([]byte(`{"points":`), points)
	send(w, r, append(body, '}'), "application/json", tag)
}

func (p *Page) readTrace(source curveSource) ([]point, error) {
	file, err := p.options.Trace(source.name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return readCurve(file, source.offset)
}
