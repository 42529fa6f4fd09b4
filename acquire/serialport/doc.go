// Package serialport opens serial ports so that they behave like a network
// connection: reads have deadlines, a silent line is a deadline error and never
// an empty read, an unplugged adapter is told apart from our own Close, nothing
// blocks for ever, and no second program shares the line. It is the only door
// to go.bug.st/serial, and it is for Linux.
package serialport
