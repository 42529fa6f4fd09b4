package config

import (
	"slices"
	"time"

	"thimbled/peak"
)

// modbusOnly is the unfit of the keys that say where in a Modbus device a value
// is.
func modbusOnly(d *draft) string {
	if l, ok := d.cfg.Line(d.inst.Line); ok && l.Kind == Text {
		return "has no meaning on a line of kind \"text\", where the line's pattern finds the value: leave it out"
	}
	return ""
}

// beside is the unfit of a key that says something about another key's register.
func beside(register string) func(*draft) string {
	return func(d *draft) string {
		if why := modbusOnly(d); why != "" {
			return why
		}
		if _, there := d.here.values[register]; there || d.here.bad[register] {
			return ""
		}
		return "has no meaning without " + register + ": write which register is meant, or leave it out"
	}
}

// instrumentKeys are what [load] and [pressure] have in common.
func instrumentKeys(every string) []key {
	return slices.Concat(valueKeys, []key{
		{name: "every", fallback: text(every),
			doc: "Time from one reading to the next.",
			field: quantity(peak.ParseDuration, "20 ms", "1 ms", "10 s",
				func(d *draft, t time.Duration) { d.inst.Every = t })},
		{name: "timeout", fallback: patience,
			doc: "How long an answer is waited for; by default 100 ms, on a line of text twice the time of every if that is longer.",
			field: quantity(peak.ParseDuration, "100 ms", "1 ms", "30 s",
				func(d *draft, t time.Duration) { d.inst.Timeout = t })},
	}, statusKeys)
}

// patience is the default timeout. A line that comes by itself comes no sooner
// than every, so text is waited for longer.
func patience(d *draft) value {
	least := 100 * time.Millisecond
	if modbusOnly(d) != "" {
		least = max(least, 2*d.inst.Every)
	}
	return str(timeText(least))
}

// valueKeys say where a value is and how it is scaled.
var valueKeys = []key{
	{name: "line", needed: always, example: `"rs485"`,
		doc:   "Name of the line it hangs on.",
		field: words("rs485", checkName, func(d *draft, s string) { d.inst.Line = s })},
	{name: "unit_id", fallback: integer(1), unfit: modbusOnly,
		doc:   "Modbus address of the device, 1 to 247; on a line of kind tcp 0 and 255 stand for the peer itself.",
		field: whole(0, 255, func(d *draft, n uint8) { d.inst.UnitID = n })},
	{name: "table", fallback: text("input"), unfit: modbusOnly,
		doc:   "Table of registers: input (function 4) or holding (function 3).",
		field: choice(func(d *draft, t Table) { d.inst.Table = t }, Input, Holding)},
	{name: "register", fallback: integer(0), unfit: modbusOnly,
		doc:   "First register of the value, counted from 0.",
		field: whole(0, 65535, func(d *draft, n uint16) { d.inst.Register = n })},
	{name: "type", fallback: text("float32"), unfit: modbusOnly,
		doc:   "How the registers make a number.",
		field: choice(func(d *draft, t Type) { d.inst.Type = t }, Int16, Uint16, Int32, Uint32, Float32)},
	{name: "order", fallback: text("ABCD"), unfit: modbusOnly,
		doc:   "Order of the bytes of a value of two registers, A the most significant.",
		field: choice(func(d *draft, o Order) { d.inst.Order = o }, ABCD, CDAB, BADC, DCBA)},
	{name: "scale", fallback: integer(1), unfit: insteadOfCurve,
		doc:   "Value = scale x raw + offset.",
		field: number(func(d *draft, f float64) { d.inst.Scale = f })},
	{name: "offset", fallback: integer(0), unfit: insteadOfCurve,
		doc:   "Added after scaling, in the unit of the value.",
		field: number(func(d *draft, f float64) { d.inst.Offset = f })},
}

// statusKeys say which bits tell of the value.
var statusKeys = []key{
	{name: "status_register", unfit: modbusOnly, example: "2",
		doc:   "A register of the same table with bits about the value; if it lies near it is read in the same request.",
		field: whole(0, 65535, func(d *draft, n uint16) { d.inst.Status.Register = peak.Known(n) })},
	{name: "over_range_bit", unfit: beside("status_register"), example: "1",
		doc:   "Bit of it, from 0 for the least significant, that is 1 while the value is above what can be measured.",
		field: bit(func(d *draft, b peak.Maybe[uint8]) { d.inst.Status.OverRangeBit = b })},
	{name: "under_range_bit", unfit: beside("status_register"), example: "4",
		doc:   "Bit of it that is 1 while the value is below what can be measured.",
		field: bit(func(d *draft, b peak.Maybe[uint8]) { d.inst.Status.UnderRangeBit = b })},
	{name: "not_ready_bit", unfit: beside("status_register"), example: "2",
		doc:   "Bit of it that is 1 while there is no valid value.",
		field: bit(func(d *draft, b peak.Maybe[uint8]) { d.inst.Status.NotReadyBit = b })},
	{name: "ready_bit", unfit: beside("status_register"), example: "3",
		doc:   "Bit of it that is 0 while there is no valid value.",
		field: bit(func(d *draft, b peak.Maybe[uint8]) { d.inst.Status.ReadyBit = b })},
}

func bit(put func(*draft, peak.Maybe[uint8])) field {
	return whole(0, 15, func(d *draft, n uint8) { put(d, peak.Known(n)) })
}

var loadKeys = []key{
	{name: "serial", example: `"LC-250-17"`,
		doc:   "Serial number that identifies load cell and indicator together; a verification made with another one does not count.",
		field: words("LC-250-17", checkLine, func(d *draft, s string) { d.cfg.Load.Serial = s })},
	{name: "unit", fallback: func(d *draft) value { return str(d.cfg.Bench.Show.String()) },
		doc:   "Unit of the scaled value; by default that of bench.show.",
		field: named(peak.ParseForceUnit, "kN", func(d *draft, u peak.ForceUnit) { d.cfg.Load.Unit = u })},
	{name: "lowest", fallback: share(-10 * peak.Percent),
		doc: "Least value that is plausible; by default -10 % of the capacity.",
		field: quantity(peak.ParseForce, "-25 kN", "-1000 MN", "0 N",
			func(d *draft, f peak.Force) { d.cfg.Load.Lowest = f })},
	{name: "highest", fallback: share(110 * peak.Percent),
		doc: "Greatest value that is plausible; by default 110 % of the capacity.",
		field: quantity(peak.ParseForce, "275 kN", leastForce, "1100 MN",
			func(d *draft, f peak.Force) { d.cfg.Load.Highest = f })},
	{name: "stable_bit", unfit: beside("status_register"), example: "0",
		doc:   "Bit of the status register that is 1 while the indicator finds the load stable.",
		field: bit(func(d *draft, b peak.Maybe[uint8]) { d.inst.Status.StableBit = b })},
	{name: "constant_register", unfit: modbusOnly, example: "100",
		doc:   "First register of the indicator's calibration constant in the same table; a change of it is recorded.",
		field: whole(0, 65535, func(d *draft, n uint16) { d.cfg.Load.ConstantRegister = peak.Known(n) })},
	{name: "constant_type", unfit: beside("constant_register"), fallback: func(d *draft) value { return str(string(d.inst.Type)) },
		doc:   "How its registers make a number; by default as those of the value.",
		field: choice(func(d *draft, t Type) { d.cfg.Load.ConstantType = t }, Int16, Uint16, Int32, Uint32, Float32)},
	{name: "stuck_after", fallback: text("0 s"),
		doc: `A value that stays the same for so long while the pressure moves is stuck; "0 s" turns the check off.`,
		field: quantity(peak.ParseDuration, "5 s", "0 s", "10 m",
			func(d *draft, t time.Duration) { d.cfg.Load.StuckAfter = t })},
}

var pressureKeys = []key{
	{name: "unit", fallback: text("bar"),
		doc:   "Unit of the scaled value: Pa, kPa, MPa, bar or psi.",
		field: named(peak.ParsePressureUnit, "bar", func(d *draft, u peak.PressureUnit) { d.cfg.Pressure.Unit = u })},
	{name: "lowest", example: `"-1 bar"`,
		doc: "Least value that is plausible.",
		field: quantity(peak.ParsePressure, "-1 bar", "-10 bar", "0 Pa",
			func(d *draft, p peak.Pressure) { d.cfg.Pressure.Lowest = peak.Known(p) })},
	{name: "highest", example: `"400 bar"`,
		doc: "Greatest value that is plausible.",
		field: quantity(peak.ParsePressure, "400 bar", "1 Pa", "10000 bar",
			func(d *draft, p peak.Pressure) { d.cfg.Pressure.Highest = peak.Known(p) })},
}
