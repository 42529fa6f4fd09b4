package modbus

import "time"

// Port is one byte line: a serial port or a socket. A [net.Conn] is one.
//
// SetReadDeadline must be safe to call while another goroutine is in Read,
// and should then take effect on that Read: it is how a read is cancelled.
type Port interface {
	// Read returns at least one byte, or an error. When the deadline passes
	// with nothing read, the error is os.ErrDeadlineExceeded as errors.Is
	// sees it; never 0, nil.
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadDeadline(t time.Time) error
	Close() error
}

// writeDeadliner is a Port whose Write can be bounded too. Sockets and
// terminals opened as os.File are; a peer that stops reading then cannot hold
// up the caller.
type writeDeadliner interface {
	SetWriteDeadline(t time.Time) error
}
