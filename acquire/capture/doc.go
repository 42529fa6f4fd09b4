// Package capture records what goes over a byte line as text that a person can
// read and attach to a fault report, and plays such a recording back as a line.
// Each event is one text line: seconds since the recording began, rx or tx, and
// the bytes in hexadecimal.
package capture
