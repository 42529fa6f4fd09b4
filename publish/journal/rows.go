package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// rowBuffer is also the longest row there can be.
const rowBuffer = 64 << 10

// rows takes CSV apart, row by row and then cell by cell.
type rows struct {
	from  io.Reader
	buf   []byte
	pos   int // where the next row begins in buf
	end   int // how far buf is filled
	eof   bool
	base  int64 // the offset of buf in the stream
	after int   // the line after this row

	line   int    // the row's first line, from 1
	offset int64  // of the row's first byte in the stream
	ended  bool   // the row has an end of line
	rest   []byte // of the row, not yet taken
	quoted bool   // the row has quotes
	plain  []byte // the row's quoted cells without their quotes
}

func newRows(from io.Reader) rows {
	return rows{from: from, buf: make([]byte, rowBuffer), after: 1}
}

// consumed is the offset behind the last row read.
func (r *rows) consumed() int64 { return r.base + int64(r.pos) }

// next finds the next row that is not empty. At the end it returns io.EOF.
func (r *rows) next() error {
	for {
		if err := r.find(); err != nil {
			return err
		}
		if len(r.rest) > 0 {
			r.plain = r.plain[:0]
			return nil
		}
	}
}

// find finds the end of the row that begins at pos: the first line feed with an
// even number of quotes before it.
func (r *rows) find() error {
	r.line, r.offset = r.after, r.consumed()
	quotes, length := 0, 0
	for {
		part := r.buf[r.pos+length : r.end]
		i := bytes.IndexByte(part, '\n')
		if i >= 0 {
			quotes += bytes.Count(part[:i], []byte{'"'})
			length += i + 1
			r.after++
			if quotes%2 == 0 {
				r.take(length, quotes > 0, true)
				return nil
			}
			continue
		}
		if r.eof {
			if r.pos == r.end {
				return io.EOF
			}
			quotes += bytes.Count(part, []byte{'"'})
			r.take(r.end-r.pos, quotes > 0, false)
			return nil
		}
		if err := r.fill(); err != nil {
			return err
		}
	}
}

// take makes the row of the next so many bytes.
func (r *rows) take(length int, quoted, ended bool) {
	row := r.buf[r.pos : r.pos+length]
	if ended {
		row = row[:len(row)-1]
	}
	if n := len(row); n > 0 && row[n-1] == '\r' {
		row = row[:n-1]
	}
	if r.offset == 0 {
		row = bytes.TrimPrefix(row, []byte("\xEF\xBB\xBF"))
	}
	r.rest, r.quoted, r.ended = row, quoted, ended
	r.pos += length
}

// fill reads more of the stream behind what is left in buf.
func (r *rows) fill() error {
	if r.pos > 0 {
		r.base += int64(r.pos)
		r.end = copy(r.buf, r.buf[r.pos:r.end])
		r.pos = 0
	}
	if r.end == len(r.buf) {
		return r.wrong(fmt.Sprintf("is longer than %d bytes", rowBuffer))
	}
	for range 100 {
		n, err := r.from.Read(r.buf[r.end:])
		r.end += n
		if errors.Is(err, io.EOF) {
			r.eof, err = true, nil
		}
		if n > 0 || r.eof || err != nil {
			return err
		}
	}
	return io.ErrNoProgress
}

// cell takes the next cell of the row; more says that another follows. It is
// good until the next row.
func (r *rows) cell() (cell []byte, more bool, err error) {
	if r.quoted && len(r.rest) > 0 && r.rest[0] == '"' {
		return r.quotedCell()
	}
	cell, r.rest, more = cut(r.rest)
	if r.quoted && bytes.IndexByte(cell, '"') >= 0 {
		return nil, false, r.wrong("has a quote inside a cell that does not begin with one")
	}
	return cell, more, nil
}

// cut splits at the first comma, cheaper than bytes.Cut.
func cut(b []byte) (before, after []byte, found bool) {
	if i := bytes.IndexByte(b, ','); i >= 0 {
		return b[:i], b[i+1:], true
	}
	return b, nil, false
}

// quotedCell takes a cell that begins with a quote; two quotes inside stand for one.
func (r *rows) quotedCell() (cell []byte, more bool, err error) {
	from := len(r.plain)
	b := r.rest[1:]
	for {
		i := bytes.IndexByte(b, '"')
		if i < 0 {
			return nil, false, r.wrong("has a quote that is not closed")
		}
		r.plain = append(r.plain, b[:i]...)
		b = b[i+1:]
		if len(b) == 0 || b[0] != '"' {
			break
		}
		r.plain = append(r.plain, '"')
		b = b[1:]
	}
	if len(b) > 0 && b[0] != ',' {
		return nil, false, r.wrong("has text behind a closing quote")
	}
	more = len(b) > 0
	if more {
		b = b[1:]
	}
	r.rest = b
	return r.plain[from:], more, nil
}

func (r *rows) wrong(reason string) error { return &TraceError{Line: r.line, Reason: reason} }
