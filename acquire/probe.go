package acquire

import (
	"context"
	"fmt"

	"thimbled/acquire/modbus"
	"thimbled/acquire/text"
)

// Finding is what one question to one instrument brought.
type Finding struct {
	Instrument string
	// Asked says in words what was asked.
	Asked string
	// Configured says that this is what the config reads; the others lie one
	// beside it, for addresses are counted from 0 by some and from 1 by others.
	Configured bool
	// Data are the registers as on the wire; nil for a line of text.
	Data []byte
	// Value is what a line of text says.
	Value text.Value
	Err   error
}

// Probe opens a line and asks each of its instruments once, for the configured
// registers and for those beside them. The error says that the line cannot be
// opened.
func Probe(ctx context.Context, l Line) ([]Finding, error) {
	if err := l.check(); err != nil {
		return nil, err
	}
	open := l.Open
	if open == nil {
		open = Open
	}
	port, err := open(ctx, l)
	if err != nil {
		return nil, fmt.Errorf("open line %s: %w", l.Name, err)
	}
	defer port.Close()
	if l.Kind == Text {
		return probeText(port, l), nil
	}
	client := l.client(port)
	var out []Finding
	for i := range l.Instruments {
		out = append(out, probeRegisters(ctx, client, &l.Instruments[i])...)
	}
	return out, nil
}

// probeRegisters reads two registers, enough for every type, at the configured
// address and at its neighbours.
func probeRegisters(ctx context.Context, client *modbus.Client, in *Instrument) []Finding {
	var out []Finding
	for _, off := range []int{0, -1, +1} {
		address := int(in.Value.Address) + off
		if address < 0 || address > 0xffff {
			continue
		}
		q := modbus.Request{Unit: in.UnitID, Table: in.Value.Table, Address: uint16(address), Count: 2, Timeout: in.Timeout}
		data, _, err := client.Read(ctx, q)
		if err != nil { // a device may have nothing beside its last register
			q.Count = 1
			data, _, err = client.Read(ctx, q)
		}
		out = append(out, Finding{
			Instrument: in.Name, Asked: q.String(), Configured: off == 0, Data: append([]byte(nil), data...), Err: err,
		})
	}
	return out
}

func probeText(port modbus.Port, l Line) []Finding {
	r := text.NewReader(port, l.Terminators, l.worstAnswer())
	var out []Finding
	for _, in := range l.Instruments {
		f := Finding{Instrument: in.Name, Asked: "the next line", Configured: true}
		var a text.Answer
		if len(in.Ask) > 0 {
			f.Asked = fmt.Sprintf("a line for %q", in.Ask)
			a, f.Err = r.Ask(in.Ask, in.Format, in.Timeout)
		} else {
			a, f.Err = r.Next(in.Format, in.Timeout)
		}
		f.Value = a.Value
		out = append(out, f)
	}
	return out
}
