package bench

import (
	"encoding/binary"
	"fmt"

	"thimbled/peak"
)

// Unit is one instrument on a Modbus line.
type Unit struct {
	ID        byte // 1 to 247
	Registers []Register
	Values    func() Values // called for every answer, from any goroutine
	Full      Values        // what it shows when over its range: only Force and Pressure matter
	Division  peak.Force    // decides the decimals of printed text
}

// LoadUnit returns the load indicator with [IndicatorRegisters].
func LoadUnit(id byte, i Indicator, values func() Values) Unit {
	return Unit{ID: id, Registers: IndicatorRegisters(), Values: values, Full: i.full(), Division: i.Division}
}

// PressureUnit returns the pressure transducer with [TransducerRegisters].
func PressureUnit(id byte, t Transducer, values func() Values) Unit {
	return Unit{ID: id, Registers: TransducerRegisters(), Values: values, Full: t.full()}
}

func (u Unit) validate() error {
	if u.ID < 1 || u.ID > 247 {
		return fmt.Errorf("unit %d: the id must be 1 to 247", u.ID)
	}
	if u.Values == nil {
		return fmt.Errorf("unit %d has no values", u.ID)
	}
	for _, r := range u.Registers {
		if err := r.validate(); err != nil {
			return fmt.Errorf("unit %d: %w", u.ID, err)
		}
	}
	return nil
}

// The Modbus functions served, all of them reads, and the exceptions.
const (
	readCoils            = 1
	readDiscreteInputs   = 2
	readHoldingRegisters = 3
	readInputRegisters   = 4

	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3
	deviceBusy      = 6

	mostBits  = 2000
	mostWords = 125
)

// answer is the answer to a request, both without address and check: function
// code first. The checks come in the order of the Modbus Application Protocol
// V1.1b3, section 7: function, quantity, address.
func (u Unit) answer(pdu []byte, v Values) []byte {
	function, most := pdu[0], mostWords
	switch function {
	case readCoils, readDiscreteInputs:
		most = mostBits
	case readHoldingRegisters, readInputRegisters:
	default:
		return exception(function, illegalFunction)
	}
	if len(pdu) != 5 {
		return exception(function, illegalValue)
	}
	from := int(binary.BigEndian.Uint16(pdu[1:]))
	count := int(binary.BigEndian.Uint16(pdu[3:]))
	if count < 1 || count > most {
		return exception(function, illegalValue)
	}
	var data []byte
	if most == mostBits {
		data = bitsOf(v.Status, from, count)
	} else {
		data = u.wordsOf(v, from, count)
	}
	if data == nil {
		return exception(function, illegalAddress)
	}
	return append([]byte{function, byte(len(data))}, data...)
}

func exception(function, code byte) []byte { return []byte{function | 0x80, code} }

// bitsOf packs status bits, the first one lowest; nil if there are not so many.
func bitsOf(s Status, from, count int) []byte {
	if from+count > statusBits {
		return nil
	}
	data := make([]byte, (count+7)/8)
	for i := range count {
		data[i/8] |= byte(s>>(from+i)&1) << (i % 8)
	}
	return data
}

// wordsOf is what the registers hold; nil if one of them is not in the map.
func (u Unit) wordsOf(v Values, from, count int) []byte {
	data := make([]byte, 2*count)
	there := make([]bool, count)
	for _, r := range u.Registers {
		words := r.words(v)
		for i := range r.width() {
			if at := int(r.At) + i - from; at >= 0 && at < count {
				binary.BigEndian.PutUint16(data[2*at:], words[i])
				there[at] = true
			}
		}
	}
	for _, t := range there {
		if !t {
			return nil
		}
	}
	return data
}
