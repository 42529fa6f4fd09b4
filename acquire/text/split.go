package text

import "strings"

// maxLine is the longest line in bytes. An indicator prints 10 to 40; more
// without a terminator is noise.
const maxLine = 256

// Control characters of ISO/IEC 646 (ASCII).
const (
	stx = 0x02 // start of text: a line begins anew
	etx = 0x03 // end of text
	lf  = '\n'
	cr  = '\r'
)

// part is what one more byte has brought.
type part uint8

const (
	nothing part = iota
	wholeLine
	tooLong // maxLine bytes without a terminator
)

// DefaultTerminators are CR and LF.
const DefaultTerminators = "\r\n"

// splitter cuts a stream into lines. A line ends with one of the terminators or
// ETX and begins with its first character that is neither CR nor LF; STX is left
// out and drops what came before it. A line whose start was not seen is dropped,
// for its first digits may be missing.
type splitter struct {
	ends  string // the terminators
	line  []byte // of the line in hand, or of the last whole one until the next byte
	long  int    // bytes since the last terminator, dropped ones too
	whole bool   // the start of the line in hand was seen
	ended bool   // line is to be emptied before the next byte
}

// begin says that a line begins at the next byte if known, else that the next
// byte lies anywhere in a line.
func (s *splitter) begin(known bool) {
	if s.line == nil {
		s.line = make([]byte, 0, maxLine)
	}
	s.line, s.long, s.whole, s.ended = s.line[:0], 0, known, false
}

// push takes one byte. After wholeLine, line holds the line until the next push.
func (s *splitter) push(c byte) part {
	if s.ended {
		s.begin(true)
	}
	switch {
	case c == etx || strings.IndexByte(s.ends, c) >= 0:
		s.ended = true
		if s.whole && len(s.line) > 0 {
			return wholeLine
		}
		return nothing
	case c == stx:
		s.begin(true)
		return nothing
	case len(s.line) == 0 && (c == cr || c == lf):
		return nothing
	}
	s.long++
	if s.long > maxLine {
		s.begin(false)
		return tooLong
	}
	s.line = append(s.line, c)
	return nothing
}
