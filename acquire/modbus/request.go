package modbus

import (
	"fmt"
	"time"

	"github.com/goburrow/modbus"
)

// Table is one of the four data tables of an instrument. Its value is the
// function that reads it.
type Table byte

// The tables.
const (
	Coils          Table = modbus.FuncCodeReadCoils
	DiscreteInputs Table = modbus.FuncCodeReadDiscreteInputs
	Holding        Table = modbus.FuncCodeReadHoldingRegisters
	Input          Table = modbus.FuncCodeReadInputRegisters
)

// Most that one request may ask for (MODBUS Application Protocol V1.1b3, 6.1 to
// 6.4).
const (
	MaxBits      = 2000
	MaxRegisters = 125
)

// String names the table in the standard's words.
func (t Table) String() string {
	switch t {
	case Coils:
		return "coil"
	case DiscreteInputs:
		return "discrete input"
	case Holding:
		return "holding register"
	case Input:
		return "input register"
	}
	return fmt.Sprintf("table %d", byte(t))
}

// most is the largest count for the table; 0 for no table.
func (t Table) most() uint16 {
	switch t {
	case Coils, DiscreteInputs:
		return MaxBits
	case Holding, Input:
		return MaxRegisters
	}
	return 0
}

// size is the number of data bytes that an answer with count items has.
func (t Table) size(count uint16) int {
	if t == Coils || t == DiscreteInputs {
		return (int(count) + 7) / 8
	}
	return 2 * int(count)
}

// Request says what to read.
type Request struct {
	// Unit is the slave's address: 1 to 247 on a serial line, where 0 would be
	// a broadcast that nobody answers; any over TCP.
	Unit  byte
	Table Table
	// Address counts from 0, as on the wire.
	Address uint16
	// Count is the number of registers, 1 to 125, or bits, 1 to 2000.
	Count uint16
	// Timeout is how long this instrument may take; 0 means that of the
	// settings.
	Timeout time.Duration
}

// String says what is read, as in "2 input registers from 0 of unit 1".
func (q Request) String() string {
	s := ""
	if q.Count != 1 {
		s = "s"
	}
	return fmt.Sprintf("%d %v%s from %d of unit %d", q.Count, q.Table, s, q.Address, q.Unit)
}

// check refuses what the standard does not allow.
func (q Request) check() error {
	most := q.Table.most()
	switch {
	case most == 0:
		return fmt.Errorf("function %d does not read a table", byte(q.Table))
	case q.Count < 1 || q.Count > most:
		return fmt.Errorf("count %d is outside 1 to %d", q.Count, most)
	case int(q.Address)+int(q.Count) > 1<<16:
		return fmt.Errorf("address %d and count %d go beyond 65535", q.Address, q.Count)
	}
	return nil
}
