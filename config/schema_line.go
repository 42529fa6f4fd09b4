package config

import (
	"fmt"
	"slices"
	"time"

	"thimbled/peak"
)

// only is the unfit of a key that belongs to some kinds of lines. While the kind
// itself is wrong nothing is unfit.
func only(kinds ...Kind) func(*draft) string {
	return func(d *draft) string {
		if d.line.Kind == "" || slices.Contains(kinds, d.line.Kind) {
			return ""
		}
		return fmt.Sprintf("has no meaning on a line of kind %q: leave it out", d.line.Kind)
	}
}

// onPort is the unfit of what a serial port needs to know. A line without a
// device has its problem told elsewhere.
func onPort(d *draft) string {
	if why := only(RTU, Text)(d); why != "" {
		return why
	}
	if d.line.Kind == Text && d.line.Address != "" && d.line.Device == "" {
		return "has no meaning on a line with an address: leave it out"
	}
	return ""
}

func isKind(kinds ...Kind) func(*draft) bool {
	return func(d *draft) bool { return slices.Contains(kinds, d.line.Kind) }
}

// forText is a fallback that differs between Modbus and text lines.
func forText(modbus, text value) func(*draft) value {
	return func(d *draft) value {
		if d.line.Kind == Text {
			return text
		}
		return modbus
	}
}

// Modbus over Serial Line V1.02 has 19200 baud with even parity as its default;
// 9600 without parity is common practice for indicators that print.
var lineKeys = []key{
	{name: "name", needed: always, example: `"rs485"`,
		doc:   "Name of the line, by which instruments call it.",
		field: words("rs485", checkName, func(d *draft, s string) { d.line.Name = s })},
	{name: "kind", needed: always, example: `"rtu"`,
		doc: "How the line talks: Modbus RTU on a serial port, Modbus TCP, Modbus RTU through a serial device server, or lines of text from either.",
		field: choice(func(d *draft, k Kind) { d.line.Kind = k },
			RTU, TCP, RTUOverTCP, Text)},
	{name: "device", needed: isKind(RTU), unfit: only(RTU, Text), example: `"/dev/serial/by-id/usb-adapter-port0"`,
		doc:   "The serial port, for the kinds rtu and text; a name under /dev/serial/by-id stays the same over restarts.",
		field: words("/dev/serial/by-id/usb-adapter-port0", notEmpty, func(d *draft, s string) { d.line.Device = s })},
	{name: "address", needed: isKind(TCP, RTUOverTCP), unfit: only(TCP, RTUOverTCP, Text), example: `"127.0.0.1:1502"`,
		doc:   "The peer as host:port, for the kinds tcp and rtu-over-tcp, and for text that comes through a device server.",
		field: words("127.0.0.1:1502", checkAddress, func(d *draft, s string) { d.line.Address = s })},
	{name: "baud", fallback: forText(num(19200), num(9600)), unfit: onPort,
		doc:   "Bits a second of the serial port; by default 19200, for text 9600.",
		field: whole(300, 4_000_000, func(d *draft, n int) { d.line.Baud = n })},
	{name: "data_bits", fallback: integer(8), unfit: onPort,
		doc:   "Data bits of a character; Modbus needs 8.",
		field: whole(7, 8, func(d *draft, n int) { d.line.DataBits = n })},
	{name: "parity", fallback: forText(str("even"), str("none")), unfit: onPort,
		doc: "Parity of a character; by default even, for text none.",
		field: choice(func(d *draft, p Parity) { d.line.Parity = p },
			NoParity, EvenParity, OddParity)},
	{name: "stop_bits", fallback: integer(1), unfit: onPort,
		doc:   "Stop bits of a character.",
		field: whole(1, 2, func(d *draft, n int) { d.line.StopBits = n })},
	{name: "echo", fallback: text("auto"), unfit: only(RTU, RTUOverTCP),
		doc: "Whether the adapter gives back what is sent, as some for two wires do; auto finds out.",
		field: choice(func(d *draft, e Echo) { d.line.Echo = e },
			EchoAuto, EchoOn, EchoOff)},
	{name: "line_baud", fallback: integer(19200), unfit: only(RTUOverTCP),
		doc:   "Bits a second behind a serial device server, for the kind rtu-over-tcp: it decides the silence between frames.",
		field: whole(300, 4_000_000, func(d *draft, n int) { d.line.LineBaud = n })},
	{name: "worst_answer", fallback: text("500 ms"), unfit: only(RTU, RTUOverTCP),
		doc: "Longest time after which an instrument may still answer: the line is left alone so long after a failed exchange.",
		field: quantity(peak.ParseDuration, "500 ms", "1 ms", "10 s",
			func(d *draft, t time.Duration) { d.line.WorstAnswer = t })},
}

var textKeys = []key{
	{name: "pattern", needed: isKind(Text), unfit: only(Text), example: `'(?P<sign>[+-])?\s*(?P<value>[0-9.]+)\s*(?P<unit>kN)'`,
		doc: "Regular expression for a line with a value: the group value is the number; the groups sign, unit, stable and moving may be there too.",
		field: pattern(func(d *draft, s string) { d.line.Pattern = s },
			"value", "sign", "unit", "stable", "moving")},
	{name: "not_ready", unfit: only(Text), example: `'^\s*-{3,}'`,
		doc:   "Regular expression for a line that says that there is no valid value yet.",
		field: pattern(func(d *draft, s string) { d.line.NotReady = s })},
	{name: "over_range", unfit: only(Text), example: `'^\s*\^{3,}'`,
		doc:   "Regular expression for a line that says that the value is above what can be measured.",
		field: pattern(func(d *draft, s string) { d.line.OverRange = s })},
	{name: "under_range", unfit: only(Text), example: `'^\s*_{3,}'`,
		doc:   "Regular expression for a line that says that the value is below what can be measured.",
		field: pattern(func(d *draft, s string) { d.line.UnderRange = s })},
	{name: "ask", fallback: text(""), unfit: only(Text),
		doc:   "What is sent to get a line; empty if the instrument prints by itself.",
		field: words("P\r", checkAsk, func(d *draft, s string) { d.line.Ask = s })},
	{name: "terminator", fallback: text("\r\n"), unfit: only(Text),
		doc:   "Each of these characters ends a line.",
		field: words("\r\n", checkTerminator, func(d *draft, s string) { d.line.Terminator = s })},
}
