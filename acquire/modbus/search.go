package modbus

import (
	"bytes"
	"fmt"
)

// Echo says whether an adapter repeats what is sent, as two-wire RS-485 adapters
// do whose receiver stays on while they send.
type Echo uint8

// What is known about the echo.
const (
	// EchoAuto strips an echo where there is one. Once an answer came behind
	// an echo it is as EchoOn, until three exchanges in a row lacked it.
	EchoAuto Echo = iota
	// EchoOn expects an exact echo before each answer; another is a collision.
	EchoOn
	// EchoOff expects none. An answer that begins with the request is refused.
	EchoOff
)

// Errors of a search, all of them ErrGarbled.
var (
	errCollision = fmt.Errorf("%w: echo differs from the request", ErrGarbled)
	errEcho      = fmt.Errorf("%w: the adapter echoes the request", ErrGarbled)
	errGlued     = fmt.Errorf("%w: more than one frame answered", ErrGarbled)
	errBabble    = fmt.Errorf("%w: the line does not fall silent", ErrGarbled)
)

// answerSize is the length of the RTU frame that answers a.
func (a asked) answerSize() int { return 1 + 2 + a.size + 2 }

// fits checks that a PDU of a unit is an answer or an exception to a.
func (a asked) fits(unit byte, pdu []byte) error {
	switch {
	case unit != a.unit:
		return fmt.Errorf("%w: unit %d answered", ErrGarbled, unit)
	case len(pdu) == 2 && pdu[0] == a.function|exceptionFlag:
		return nil
	case len(pdu) < 2 || pdu[0] != a.function:
		return fmt.Errorf("%w: function %d answered where %d was asked", ErrGarbled, pdu[0], a.function)
	case len(pdu) != 2+a.size || int(pdu[1]) != a.size:
		return fmt.Errorf("%w: %d bytes of data where %d were asked", ErrGarbled, len(pdu)-2, a.size)
	}
	return nil
}

// search looks for the answer to one request in what a line brings, byte by
// byte in one pass. It frames by length and check, never by pauses, which
// adapters and drivers move about.
//
// Two facts keep it safe with echoes. A frame that begins with the request is
// never the answer, whatever its check says: a check stays right when zeros
// follow a whole frame, so an echo and a zero byte of noise can look like an
// answer. And an echo proves nothing until an answer came behind it, because an
// answer of three bytes of bits can equal its request.
type search struct {
	asked
	echo   Echo
	from   int // what comes before is done with
	echoed bool
}

// next looks at all that came so far. It returns the answer, or the least number
// of bytes that must still come.
func (s *search) next(buf []byte) (frame []byte, missing int, err error) {
	if s.echo == EchoOn && !s.echoed {
		missing, err := s.stripEcho(buf)
		if missing > 0 || err != nil {
			return nil, missing, err
		}
	}
	for s.from < len(buf) {
		rest := buf[s.from:]
		if bytes.HasPrefix(rest, s.frame) {
			if s.echo == EchoOff {
				return nil, 0, errEcho
			}
			s.from += len(s.frame)
			s.echoed = true
			continue
		}
		size := s.sizeAt(rest)
		if size > len(rest) {
			return nil, size - len(rest), nil
		}
		if size > 0 && s.answers(rest[:size]) {
			s.from += size
			return rest[:size], 0, nil
		}
		s.from++
	}
	return nil, exceptionRTU, nil
}

// stripEcho compares what came first with the request.
func (s *search) stripEcho(buf []byte) (missing int, err error) {
	n := min(len(buf), len(s.frame))
	if !bytes.Equal(buf[:n], s.frame[:n]) {
		return 0, errCollision
	}
	if n < len(s.frame) {
		return len(s.frame) - n + exceptionRTU, nil
	}
	s.from, s.echoed = n, true
	return 0, nil
}

// sizeAt is the length of the answer that could begin at rest, more than
// len(rest) if it cannot be told yet; 0 if none can begin here.
func (s *search) sizeAt(rest []byte) int {
	switch {
	case rest[0] != s.unit:
		return 0
	case len(rest) == 1:
		return exceptionRTU
	case rest[1] == s.function|exceptionFlag:
		return exceptionRTU
	case bytes.HasPrefix(s.frame, rest): // it may become an echo
		return max(len(rest)+1, s.answerSize())
	case rest[1] != s.function || int(rest[2]) != s.size:
		return 0
	}
	return s.answerSize()
}

func (s *search) answers(frame []byte) bool {
	unit, pdu, err := CheckRTU(frame)
	return err == nil && s.fits(unit, pdu) == nil
}

// explain says why what came held no answer. foreign says that it was a whole
// frame that answers something else.
func (s *search) explain(buf []byte) (foreign bool, err error) {
	if s.echoed {
		buf = bytes.TrimPrefix(buf, s.frame)
	}
	if len(buf) == 0 {
		return false, fmt.Errorf("%w within %v", ErrTimeout, s.timeout)
	}
	if size := frameSize(buf); size <= len(buf) {
		if unit, pdu, err := CheckRTU(buf[:size]); err == nil && s.fits(unit, pdu) != nil {
			return true, s.fits(unit, pdu)
		}
	}
	if len(buf) < s.answerSize() {
		return false, fmt.Errorf("%w: cut short after %d of %d bytes", ErrGarbled, len(buf), s.answerSize())
	}
	return false, fmt.Errorf("%w: no frame with a right check in %d bytes", ErrGarbled, len(buf))
}

// frameSize is the length of the RTU answer that b begins with, by its own
// count.
func frameSize(b []byte) int {
	if len(b) < exceptionRTU || b[1]&exceptionFlag != 0 {
		return exceptionRTU
	}
	return 1 + 2 + int(b[2]) + 2
}
