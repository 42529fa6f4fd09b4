// Package modbus reads registers and bits from Modbus instruments over serial
// lines, sockets that carry a serial line, and Modbus TCP. It can encode the
// functions 1 to 4 and nothing else, so a write cannot reach an instrument. Its
// first care is that an answer is never taken for the answer to another
// request: it frames by length and CRC, leaves a line alone after a failed
// exchange for as long as the late answer may still come, and gives up a
// connection whose frames it can no longer tell apart.
package modbus
