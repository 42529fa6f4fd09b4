package modbus

import "time"

// fastBaud is the highest rate at which the silences are counted in characters;
// above it they are fixed (MODBUS over Serial Line V1.02, 2.5.1.1).
const fastBaud = 19200

// fixedSilence is the t3.5 of lines faster than fastBaud.
const fixedSilence = 1750 * time.Microsecond

// CharTime is the time that one character takes on a serial line of the given
// rate in bits per second. bits counts all of a character: start, data, parity
// and stop bits; 11 by the standard, 10 for 8N1.
func CharTime(baud, bits int) time.Duration {
	if baud <= 0 {
		return 0
	}
	return time.Duration(bits) * time.Second / time.Duration(baud)
}

// Silence is t3.5, the least silence between two frames: 3.5 characters, and
// 1.75 ms above 19200 bits per second (MODBUS over Serial Line V1.02, 2.5.1.1).
func Silence(baud, bits int) time.Duration {
	if baud <= 0 || baud > fastBaud {
		return fixedSilence
	}
	return time.Duration(bits) * 7 * time.Second / time.Duration(2*baud)
}
