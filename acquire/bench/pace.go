package bench

import "time"

// Pace is how fast a line carries bytes and an instrument answers.
type Pace struct {
	Baud  int           // 0 for as fast as the line can
	Bits  int           // of a character with start, parity and stop bits; 0 for 11
	Delay time.Duration // the instruments' own time before an answer
}

// Char is the time that one character takes; 0 without a baud rate.
func (p Pace) Char() time.Duration {
	if p.Baud <= 0 {
		return 0
	}
	bits := p.Bits
	if bits == 0 {
		bits = 11
	}
	return time.Duration(bits) * time.Second / time.Duration(p.Baud)
}

// Silence is the least silence between two frames: 3.5 characters, or 1.75 ms
// above 19200 baud (Modbus over Serial Line V1.02, section 2.5.1.1); 0 without
// a baud rate.
func (p Pace) Silence() time.Duration {
	switch {
	case p.Baud <= 0:
		return 0
	case p.Baud > 19200:
		return 1750 * time.Microsecond
	}
	return p.Char() * 7 / 2
}

// start is when the answer to a request begins whose first byte was seen at
// arrived. A program hands over a request in one piece, but its bytes take
// their time on a real line.
func (p Pace) start(arrived time.Time, length int) time.Time {
	return arrived.Add(time.Duration(length)*p.Char() + p.Silence() + p.Delay)
}
