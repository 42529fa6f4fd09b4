package acquire

import (
	"errors"
	"fmt"
	"math"

	"thimbled/acquire/modbus"
)

// check finds what would make polling impossible, all at once.
func (l *Line) check() error {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	switch l.Kind {
	case RTU, TCP, RTUOverTCP, Text:
	default:
		wrong("kind %q is none", l.Kind)
	}
	if len(l.Instruments) == 0 {
		wrong("it has no instrument")
	}
	for _, in := range l.Instruments {
		if err := in.check(l.Kind); err != nil {
			wrong("instrument %s: %w", in.Name, err)
		}
		if l.Kind == Text && len(in.Ask) == 0 && len(l.Instruments) > 1 {
			wrong("instrument %s: without a request it must be alone on its line", in.Name)
		}
	}
	if len(errs) == 0 {
		return nil
	}
	return fmt.Errorf("line %s: %w", l.Name, errors.Join(errs...))
}

func (in *Instrument) check(kind Kind) error {
	switch {
	case in.Every <= 0 || in.Timeout <= 0:
		return fmt.Errorf("every %v and timeout %v must be above 0", in.Every, in.Timeout)
	case !usable(in.Scale) || !usable(in.UnitFactor) || math.IsNaN(in.Offset) || math.IsInf(in.Offset, 0):
		return fmt.Errorf("scale %v, offset %v and unit factor %v must be numbers, the first and the last not 0", in.Scale, in.Offset, in.UnitFactor)
	case in.Curve.Known && !in.Curve.Value.usable():
		return errors.New("its curve must be of two numbers or more, from one raw value to a greater one")
	case kind == Text && in.Format == nil:
		return errors.New("it has no format")
	case kind == Text:
		return nil
	}
	if err := in.Value.check(); err != nil {
		return fmt.Errorf("value: %w", err)
	}
	if in.Status.mapped() && !isRegister(in.Status.Table) {
		return fmt.Errorf("status: %v is no table of registers", in.Status.Table)
	}
	if in.Constant.Known {
		if err := in.Constant.Value.check(); err != nil {
			return fmt.Errorf("constant: %w", err)
		}
	}
	if kind == RTU && in.UnitID == 0 {
		return errors.New("unit 0 is the broadcast address, which nobody answers")
	}
	return nil
}

func (r Register) check() error {
	if !isRegister(r.Table) {
		return fmt.Errorf("%v is no table of registers", r.Table)
	}
	if int(r.Address)+r.Type.Registers() > 1<<16 {
		return fmt.Errorf("register %d and the %d of a %v go beyond 65535", r.Address, r.Type.Registers(), r.Type)
	}
	return nil
}

func isRegister(t modbus.Table) bool { return t == modbus.Input || t == modbus.Holding }

func (c *Curve) usable() bool {
	const least = 2
	return len(c.Coefficients) >= least && c.From < c.To && !math.IsNaN(c.at(c.From)) && !math.IsNaN(c.at(c.To))
}

func usable(f float64) bool { return f != 0 && !math.IsNaN(f) && !math.IsInf(f, 0) }
