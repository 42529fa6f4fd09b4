package modbus

import (
	"errors"
	"fmt"

	"thimbled/peak"
)

// What can go wrong, for errors.Is. An error may be of two kinds, such as a
// timeout that also ends the connection.
var (
	// ErrTimeout: nothing came in time.
	ErrTimeout = errors.New("no answer")
	// ErrGarbled: something came that is not the answer: wrong check, length,
	// unit or function, a collision, or a line that is never silent.
	ErrGarbled = errors.New("garbled answer")
	// ErrBroken: the frames of this connection can no longer be told apart.
	// The caller must close it and connect anew.
	ErrBroken = errors.New("connection out of step")
	// ErrGone: the line was closed or unplugged. The caller must close it and
	// open it anew.
	ErrGone = errors.New("line gone")
)

// Lost says that err ends the line: nothing more can be read from this client.
func Lost(err error) bool { return errors.Is(err, ErrGone) || errors.Is(err, ErrBroken) }

// Exception is an instrument's answer that it cannot give the value. It is
// never a number.
type Exception struct {
	Function byte // without the exception flag
	Code     byte
}

// Codes that mean more than a refusal (MODBUS Application Protocol V1.1b3, 7).
const (
	codeAcknowledge   = 0x05
	codeBusy          = 0x06
	codeGatewayPath   = 0x0A
	codeGatewayTarget = 0x0B
)

var exceptionWords = map[byte]string{
	0x01:              "illegal function",
	0x02:              "illegal data address",
	0x03:              "illegal data value",
	0x04:              "server device failure",
	codeAcknowledge:   "acknowledge",
	codeBusy:          "server device busy",
	0x08:              "memory parity error",
	codeGatewayPath:   "gateway path unavailable",
	codeGatewayTarget: "gateway target device failed to respond",
}

// Error gives the code and its meaning in the standard.
func (e *Exception) Error() string {
	word, known := exceptionWords[e.Code]
	if !known {
		word = "not in the standard"
	}
	return fmt.Sprintf("exception %d (%s)", e.Code, word)
}

// Busy says that the instrument asks to be asked again later.
func (e *Exception) Busy() bool { return e.Code == codeAcknowledge || e.Code == codeBusy }

// Unreachable says that a gateway answered in place of an instrument it
// cannot reach.
func (e *Exception) Unreachable() bool {
	return e.Code == codeGatewayPath || e.Code == codeGatewayTarget
}

// Quality is the quality of the reading that err stands for.
func Quality(err error) peak.Quality {
	var exception *Exception
	switch {
	case err == nil:
		return peak.Good
	case errors.As(err, &exception):
		return peak.Refused
	case errors.Is(err, ErrGarbled):
		return peak.Garbled
	case errors.Is(err, ErrTimeout):
		return peak.Timeout
	}
	return peak.Disconnected
}
