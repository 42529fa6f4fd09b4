package capture

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// Direction says which way bytes went, as the daemon sees it.
type Direction uint8

// The directions.
const (
	Received Direction = iota // rx: from the instrument
	Sent                      // tx: to the instrument
)

// String is the word used in recordings.
func (d Direction) String() string {
	if d == Sent {
		return "tx"
	}
	return "rx"
}

// Event is some bytes that went over the line.
type Event struct {
	Elapsed   time.Duration // since the recording began, never falling
	Direction Direction
	Bytes     []byte // 1 to 512
	// Line is the event's line in the text it was parsed from, counted from
	// 1; 0 for another event.
	Line int
}

// Recording is what went over a line, in order.
type Recording struct {
	Name    string    // of the line
	Started time.Time // zero if the header does not say
	Events  []Event
	// Cut says that the last text line had no end, as a killed process leaves
	// it. Nobody can tell how much of it is missing, so it is not an event.
	Cut bool
}

const (
	// eventBytes is the most that one event holds; more is written as several.
	eventBytes = 512
	// lineBytes is the longest text line, which leaves room for an event.
	lineBytes = 2*eventBytes + 64

	namePrefix    = "# line "
	startedPrefix = "# started "
)

// Errors of recordings, each with the number of the text line.
var (
	errLineLength = fmt.Errorf("line is longer than %d bytes", lineBytes)
	errFields     = errors.New("want elapsed seconds, rx or tx, and hexadecimal bytes, with one space between")
	errDirection  = errors.New("direction is neither rx nor tx")
	errBytes      = fmt.Errorf("want 1 to %d bytes as pairs of hexadecimal digits", eventBytes)
	errElapsed    = errors.New("want elapsed seconds with 6 to 9 decimals")
	errOrder      = errors.New("elapsed seconds are fewer than on the line before")
	errStarted    = errors.New("want the start as RFC 3339 time")
)

// appendHeader appends the comments that a recording begins with.
func appendHeader(b []byte, name string, started time.Time) []byte {
	b = append(b, namePrefix...)
	b = append(b, printable(name)...)
	b = append(b, "\n"+startedPrefix...)
	b = started.UTC().AppendFormat(b, time.RFC3339Nano)
	return append(b, '\n')
}

// printable keeps a name short and on its line.
func printable(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F {
			return ' '
		}
		return r
	}, name)
	return strings.TrimSpace(strings.ToValidUTF8(name[:min(len(name), eventBytes)], ""))
}

// appendEvent appends the text line of an event.
func appendEvent(b []byte, e Event) []byte {
	b = strconv.AppendInt(b, int64(e.Elapsed/time.Second), 10)
	b = fmt.Appendf(b, ".%09d ", int64(e.Elapsed%time.Second))
	b = append(b, e.Direction.String()...)
	b = append(b, ' ')
	b = hex.AppendEncode(b, e.Bytes)
	return append(b, '\n')
}

// WriteTo writes the recording as text.
func (r Recording) WriteTo(w io.Writer) (int64, error) {
	b := appendHeader(nil, r.Name, r.Started)
	for _, e := range r.Events {
		b = appendEvent(b, e)
	}
	n, err := w.Write(b)
	return int64(n), err
}

// Parse reads a recording. Its errors name the text line.
func Parse(text io.Reader) (Recording, error) {
	var r Recording
	in := bufio.NewReaderSize(text, lineBytes)
	for number := 1; ; number++ {
		line, err := in.ReadSlice('\n')
		switch {
		case errors.Is(err, io.EOF):
			r.Cut = len(line) > 0
			return r, nil
		case errors.Is(err, bufio.ErrBufferFull):
			err = errLineLength
		case err == nil:
			err = r.parseLine(number, string(bytes.TrimRight(line, "\r\n")))
		}
		if err != nil {
			return r, fmt.Errorf("parse recording: line %d: %w", number, err)
		}
	}
}

func (r *Recording) parseLine(number int, line string) error {
	switch {
	case strings.HasPrefix(line, namePrefix):
		r.Name = printable(strings.TrimPrefix(line, namePrefix))
		return nil
	case strings.HasPrefix(line, startedPrefix):
		return r.parseStarted(strings.TrimPrefix(line, startedPrefix))
	case line == "" || line[0] == '#':
		return nil
	}
	e, err := parseEvent(line)
	if err != nil {
		return err
	}
	if n := len(r.Events); n > 0 && e.Elapsed < r.Events[n-1].Elapsed {
		return errOrder
	}
	e.Line = number
	r.Events = append(r.Events, e)
	return nil
}

func (r *Recording) parseStarted(s string) error {
	started, err := time.Parse(time.RFC3339Nano, s)
	r.Started = started.UTC()
	if year := r.Started.Year(); err != nil || year < 0 || year > 9999 {
		return errStarted
	}
	return nil
}

func parseEvent(line string) (e Event, err error) {
	fields := strings.Split(line, " ")
	if len(fields) != 3 {
		return e, errFields
	}
	if e.Elapsed, err = parseElapsed(fields[0]); err != nil {
		return e, err
	}
	switch fields[1] {
	case Received.String():
	case Sent.String():
		e.Direction = Sent
	default:
		return e, errDirection
	}
	if e.Bytes, err = hex.DecodeString(fields[2]); err != nil || len(e.Bytes) == 0 || len(e.Bytes) > eventBytes {
		return e, errBytes
	}
	return e, nil
}

// parseElapsed reads seconds as an exact number of nanoseconds.
func parseElapsed(s string) (time.Duration, error) {
	whole, decimals, _ := strings.Cut(s, ".")
	if len(decimals) < 6 || len(decimals) > 9 || !digits(whole) || !digits(decimals) {
		return 0, errElapsed
	}
	seconds, err := strconv.ParseInt(whole, 10, 32)
	if err != nil {
		return 0, errElapsed
	}
	nanos, err := strconv.ParseInt((decimals + "000")[:9], 10, 64)
	if err != nil {
		return 0, errElapsed
	}
	return time.Duration(seconds)*time.Second + time.Duration(nanos), nil
}

func digits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}
