package main

import (
	"fmt"

	"thimbled/acquire"
	"thimbled/acquire/modbus"
	"thimbled/acquire/serialport"
	"thimbled/acquire/text"
	"thimbled/config"
	"thimbled/peak"
)

// linesOf turns the config's lines into those that are polled. A line without
// an instrument is left out.
func linesOf(c *config.Config) ([]acquire.Line, error) {
	var out []acquire.Line
	for _, l := range c.Lines {
		line := lineOf(l)
		if c.Load.Line == l.Name {
			line.Instruments = append(line.Instruments, loadOf(c))
		}
		if c.Pressure != nil && c.Pressure.Line == l.Name {
			line.Instruments = append(line.Instruments, pressureOf(c.Pressure))
		}
		if len(line.Instruments) == 0 {
			continue
		}
		if l.Kind == config.Text {
			if err := addFormat(&line, l); err != nil {
				return nil, err
			}
		}
		out = append(out, line)
	}
	return out, nil
}

func lineOf(l config.Line) acquire.Line {
	echo := map[config.Echo]modbus.Echo{config.EchoAuto: modbus.EchoAuto, config.EchoOn: modbus.EchoOn, config.EchoOff: modbus.EchoOff}
	return acquire.Line{
		Name: l.Name, Kind: acquire.Kind(l.Kind),
		Serial: serialport.Settings{
			Device: l.Device, Baud: l.Baud, DataBits: l.DataBits, Parity: serialport.Parity(l.Parity), StopBits: l.StopBits,
		},
		Address: l.Address, LineBaud: l.LineBaud, Echo: echo[l.Echo], WorstAnswer: l.WorstAnswer, Terminators: l.Terminator,
	}
}

// addFormat sets how the lines of a text line are read.
func addFormat(line *acquire.Line, l config.Line) error {
	f, err := text.Compile(text.Patterns{
		Value: l.Pattern, NotReady: l.NotReady, OverRange: l.OverRange, UnderRange: l.UnderRange,
	})
	if err != nil {
		return fmt.Errorf("line %s: %w", l.Name, err)
	}
	for i := range line.Instruments {
		line.Instruments[i].Format, line.Instruments[i].Ask = f, []byte(l.Ask)
	}
	return nil
}

func loadOf(c *config.Config) acquire.Instrument {
	in := instrumentOf(loadName, acquire.Force, c.Load.Instrument)
	in.UnitFactor = c.Load.Unit.Newtons()
	in.Lowest, in.Highest = peak.Known(int64(c.Load.Lowest)), peak.Known(int64(c.Load.Highest))
	if curve := c.Load.Curve; curve.Known {
		in.Curve = peak.Known(acquire.Curve(curve.Value))
	}
	if c.Load.ConstantRegister.Known {
		in.Constant = peak.Known(acquire.Register{
			Table: in.Value.Table, Address: c.Load.ConstantRegister.Value, Type: typeOf(c.Load.ConstantType), Order: in.Value.Order,
		})
	}
	return in
}

// forceMaker is how a config's scale makes a force of a raw value of the load indicator,
// live and from a trace alike.
func forceMaker(c *config.Config) func(raw float64) (peak.Force, peak.Quality) {
	in := loadOf(c)
	return in.Force
}

func pressureOf(p *config.Transducer) acquire.Instrument {
	in := instrumentOf(pressureName, acquire.Pressure, p.Instrument)
	in.UnitFactor = p.Unit.Pascals()
	in.Lowest = maybePascals(p.Lowest)
	in.Highest = maybePascals(p.Highest)
	return in
}

func maybePascals(m peak.Maybe[peak.Pressure]) peak.Maybe[int64] {
	return peak.Maybe[int64]{Value: int64(m.Value), Known: m.Known}
}

func instrumentOf(name string, measures acquire.Quantity, i config.Instrument) acquire.Instrument {
	tables := map[config.Table]modbus.Table{config.Input: modbus.Input, config.Holding: modbus.Holding}
	order, _ := modbus.ParseOrder(string(i.Order))
	in := acquire.Instrument{
		Name: name, Measures: measures, Every: i.Every, Timeout: i.Timeout, Scale: i.Scale, Offset: i.Offset, UnitID: i.UnitID,
		Value: acquire.Register{Table: tables[i.Table], Address: i.Register, Type: typeOf(i.Type), Order: order},
	}
	if i.Status.Register.Known {
		in.Status = acquire.Status{
			Table: in.Value.Table, Address: i.Status.Register.Value, NotReady: notReadyBits(i.Status),
			OverRange: acquire.Bits{Mask: mask(i.Status.OverRangeBit)}, UnderRange: acquire.Bits{Mask: mask(i.Status.UnderRangeBit)},
			Stable: acquire.Bits{Mask: mask(i.Status.StableBit)},
		}
	}
	return in
}

func notReadyBits(s config.Status) acquire.Bits {
	if s.ReadyBit.Known {
		return acquire.Bits{Mask: mask(s.ReadyBit), Clear: true}
	}
	return acquire.Bits{Mask: mask(s.NotReadyBit)}
}

func mask(bit peak.Maybe[uint8]) uint16 {
	if !bit.Known || bit.Value > 15 {
		return 0
	}
	return 1 << bit.Value
}

func typeOf(t config.Type) modbus.Type {
	out, _ := modbus.ParseType(string(t))
	return out
}
