package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Sizes in bytes (MODBUS Application Protocol V1.1b3, 4.1; MODBUS Messaging on
// TCP/IP V1.0b, 3.1.3).
const (
	maxPDU        = 253
	maxRTU        = 1 + maxPDU + 2
	minRTU        = 1 + 1 + 2
	exceptionRTU  = 1 + 2 + 2
	mbapSize      = 7
	maxTCP        = mbapSize + maxPDU
	exceptionFlag = 0x80
)

// crcTable holds the CRC of each byte value for the reflected polynomial 0xA001.
var crcTable = makeCRCTable()

func makeCRCTable() (table [256]uint16) {
	for i := range table {
		crc := uint16(i)
		for range 8 {
			odd := crc&1 != 0
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
		table[i] = crc
	}
	return table
}

// CRC is the checksum of RTU frames (MODBUS over Serial Line V1.02, 6.2). It goes
// on the wire low byte first.
func CRC(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc = crc>>8 ^ crcTable[byte(crc)^c]
	}
	return crc
}

// AppendRTU appends the RTU frame of a PDU to or from a unit.
func AppendRTU(dst []byte, unit byte, pdu []byte) []byte {
	start := len(dst)
	dst = append(dst, unit)
	dst = append(dst, pdu...)
	return binary.LittleEndian.AppendUint16(dst, CRC(dst[start:]))
}

// Errors of frames.
var (
	errFrameLength = errors.New("frame length out of range")
	errFrameCRC    = errors.New("frame check differs")
	errProtocol    = errors.New("protocol identifier is not 0")
	// ErrFrameShort says that more bytes must come before a frame is whole.
	ErrFrameShort = errors.New("frame is not complete")
)

// CheckRTU checks the length and the CRC of a whole RTU frame and returns the
// unit and the PDU in it, which is a part of frame.
func CheckRTU(frame []byte) (unit byte, pdu []byte, err error) {
	if len(frame) < minRTU || len(frame) > maxRTU {
		return 0, nil, errFrameLength
	}
	end := len(frame) - 2
	if CRC(frame[:end]) != binary.LittleEndian.Uint16(frame[end:]) {
		return 0, nil, errFrameCRC
	}
	return frame[0], frame[1:end], nil
}

// AppendMBAP appends the Modbus TCP frame of a PDU to or from a unit.
func AppendMBAP(dst []byte, transaction uint16, unit byte, pdu []byte) []byte {
	dst = binary.BigEndian.AppendUint16(dst, transaction)
	dst = append(dst, 0, 0) // the protocol identifier of Modbus
	dst = binary.BigEndian.AppendUint16(dst, uint16(1+len(pdu)))
	dst = append(dst, unit)
	return append(dst, pdu...)
}

// Frame is a Modbus TCP frame.
type Frame struct {
	Transaction uint16
	Unit        byte
	PDU         []byte // a part of the bytes that were parsed
	Size        int    // of the whole frame in bytes
}

// ParseMBAP parses the Modbus TCP frame that b begins with. The error is
// [ErrFrameShort] when b only begins a frame; any other error means that no
// frame can begin here.
func ParseMBAP(b []byte) (Frame, error) {
	if len(b) >= 4 && (b[2] != 0 || b[3] != 0) {
		return Frame{}, errProtocol
	}
	if len(b) < mbapSize {
		return Frame{}, ErrFrameShort
	}
	length := int(binary.BigEndian.Uint16(b[4:])) // counts the unit and the PDU
	if length < 2 || length > 1+maxPDU {
		return Frame{}, errFrameLength
	}
	size := mbapSize - 1 + length
	if len(b) < size {
		return Frame{}, ErrFrameShort
	}
	return Frame{binary.BigEndian.Uint16(b), b[6], b[mbapSize:size], size}, nil
}

// ParseRequest parses the PDU of a request for one of the functions 1 to 4.
func ParseRequest(unit byte, pdu []byte) (Request, error) {
	if len(pdu) != 5 {
		return Request{}, fmt.Errorf("request of %d bytes, want 5", len(pdu))
	}
	q := Request{
		Unit:    unit,
		Table:   Table(pdu[0]),
		Address: binary.BigEndian.Uint16(pdu[1:]),
		Count:   binary.BigEndian.Uint16(pdu[3:]),
	}
	return q, q.check()
}
