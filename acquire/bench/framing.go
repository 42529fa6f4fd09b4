package bench

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

// request is one request as it came, and what is needed to answer it.
type request struct {
	unit    byte
	pdu     []byte // function code and data
	adu     []byte // everything that was on the wire
	arrived time.Time
}

// framing is how requests and answers lie on the wire.
type framing interface {
	// next waits for a request.
	next() (request, error)
	// pack makes the answer to q, as if from the given unit.
	pack(q request, unit byte, pdu []byte) []byte
}

// leastSilence ends a frame on an unpaced line. A pseudo-terminal has no
// timing of its own, so this is for slow writers and for rubbish.
const leastSilence = 10 * time.Millisecond

// longestFrame is more than any RTU frame (256 bytes); what comes beyond it in
// one go is rubbish.
const longestFrame = 300

// rtuFraming is that of the Modbus over Serial Line V1.02: unit, PDU, CRC. A
// request is taken as soon as it is complete; what does not check is thrown
// away at the next silence.
type rtuFraming struct {
	wire    Wire
	silence time.Duration
	garbled func()
	buf     []byte
	arrived time.Time
}

func newRTUFraming(w Wire, p Pace, garbled func()) *rtuFraming {
	return &rtuFraming{wire: w, silence: max(leastSilence, p.Silence()), garbled: garbled}
}

func (f *rtuFraming) next() (request, error) {
	for {
		if n := requestLength(f.buf); n > 0 && n <= len(f.buf) && checks(f.buf[:n]) {
			return f.take(n), nil
		}
		err := f.read()
		switch {
		case err == nil:
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return request{}, err
		case checks(f.buf):
			return f.take(len(f.buf)), nil
		default:
			f.garbled()
			f.buf = nil
		}
	}
}

// read adds what arrives to the buffer. It waits for ever for a frame to
// begin, and for the silence that ends one that has begun.
func (f *rtuFraming) read() error {
	var until time.Time
	if len(f.buf) > 0 {
		until = time.Now().Add(f.silence)
	}
	if err := f.wire.SetReadDeadline(until); err != nil {
		return fmt.Errorf("set deadline: %w", err)
	}
	chunk := make([]byte, longestFrame)
	n, err := f.wire.Read(chunk)
	if len(f.buf) == 0 {
		f.arrived = time.Now()
	}
	room := min(n, longestFrame-len(f.buf))
	f.buf = append(f.buf, chunk[:room]...)
	return err
}

func (f *rtuFraming) take(n int) request {
	adu := f.buf[:n:n]
	f.buf = f.buf[n:]
	q := request{unit: adu[0], pdu: adu[1 : n-2], adu: adu, arrived: f.arrived}
	f.arrived = time.Now()
	return q
}

func (f *rtuFraming) pack(_ request, unit byte, pdu []byte) []byte {
	return appendCRC(append([]byte{unit}, pdu...))
}

// requestLength is the length of the request that begins with b; 0 if it
// cannot be told (yet).
func requestLength(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	switch b[1] {
	case 1, 2, 3, 4, 5, 6:
		return 8
	case 15, 16:
		if len(b) > 6 {
			return 9 + int(b[6])
		}
	}
	return 0
}

// checks says whether b is a frame whose CRC is right.
func checks(b []byte) bool {
	n := len(b) - 2
	return n >= 2 && crc16(b[:n]) == binary.LittleEndian.Uint16(b[n:])
}

func appendCRC(b []byte) []byte { return binary.LittleEndian.AppendUint16(b, crc16(b)) }

// crc16 is the check of Modbus over Serial Line V1.02, section 6.2.2:
// polynomial 0xA001 (reflected), start 0xFFFF.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			if crc&1 == 1 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}

// mbapFraming is that of Modbus TCP: transaction id, protocol 0, length, unit,
// PDU.
type mbapFraming struct {
	wire Wire
}

const mbapHeader = 7

func (f mbapFraming) next() (request, error) {
	adu := make([]byte, mbapHeader, mbapHeader+253)
	if _, err := io.ReadFull(f.wire, adu); err != nil {
		return request{}, err
	}
	arrived := time.Now()
	protocol, length := binary.BigEndian.Uint16(adu[2:]), int(binary.BigEndian.Uint16(adu[4:]))
	if protocol != 0 || length < 2 || length > 254 {
		return request{}, fmt.Errorf("read header: % X is not Modbus TCP", adu)
	}
	adu = adu[:mbapHeader+length-1]
	if _, err := io.ReadFull(f.wire, adu[mbapHeader:]); err != nil {
		return request{}, err
	}
	return request{unit: adu[6], pdu: adu[mbapHeader:], adu: adu, arrived: arrived}, nil
}

func (f mbapFraming) pack(q request, unit byte, pdu []byte) []byte {
	adu := append([]byte{}, q.adu[:4]...)
	adu = binary.BigEndian.AppendUint16(adu, uint16(len(pdu)+1))
	return append(append(adu, unit), pdu...)
}
