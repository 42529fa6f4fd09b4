package peak

import (
	"errors"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Length is a length in micrometres, at most ±9.2e12 m.
type Length int64

// Units of length.
const (
	Micrometre Length = 1
	Millimetre        = 1000 * Micrometre
	Metre             = 1000 * Millimetre
)

// String shows the exact length in metres, as in "8 m".
func (l Length) String() string { return string(l.AppendMetres(nil)) + " m" }

// AppendMetres appends the exact decimal number of metres.
func (l Length) AppendMetres(b []byte) []byte { return appendDecimal(b, int64(l), 6) }

// ForceUnit is a unit that people see and write forces in. The zero value is
// the newton. A mass counts as its weight at standard gravity, 9.80665 m/s².
type ForceUnit uint8

// The units of force.
const (
	UnitN ForceUnit = iota
	UnitKN
	UnitMN
	UnitLbf
	UnitKip
	UnitKgf
	UnitTf
	UnitKg
	UnitT
	UnitLb
	UnitShortTon
	UnitLongTon
)

// PressureUnit is a unit that people see and write pressures in. The zero
// value is the pascal.
type PressureUnit uint8

// The units of pressure.
const (
	UnitPa PressureUnit = iota
	UnitKPa
	UnitMPa
	UnitBar
	UnitPsi
)

// unit is a name and the exact size of one of it, num/den of the integer step
// that the quantity counts in.
type unit struct {
	name     string
	num, den int64
}

// Sizes in millinewtons. The pound-force is 0.45359237 kg x 9.80665 m/s²; kip,
// short-ton (2000 lb) and long-ton (2240 lb) are multiples of it (NIST SP 811).
var forceUnits = []unit{
	UnitN:        {"N", 1_000, 1},
	UnitKN:       {"kN", 1_000_000, 1},
	UnitMN:       {"MN", 1_000_000_000, 1},
	UnitLbf:      {"lbf", 8_896_443_230_521, 2_000_000_000},
	UnitKip:      {"kip", 8_896_443_230_521, 2_000_000},
	UnitKgf:      {"kgf", 980_665, 100},
	UnitTf:       {"tf", 9_806_650, 1},
	UnitKg:       {"kg", 980_665, 100},
	UnitT:        {"t", 9_806_650, 1},
	UnitLb:       {"lb", 8_896_443_230_521, 2_000_000_000},
	UnitShortTon: {"short-ton", 8_896_443_230_521, 1_000_000},
	UnitLongTon:  {"long-ton", 62_275_102_613_647, 6_250_000},
}

// Sizes in pascals. The psi is one pound-force on (0.0254 m)².
var pressureUnits = []unit{
	UnitPa:  {"Pa", 1, 1},
	UnitKPa: {"kPa", 1_000, 1},
	UnitMPa: {"MPa", 1_000_000, 1},
	UnitBar: {"bar", 100_000, 1},
	UnitPsi: {"psi", 8_896_443_230_521, 1_290_320_000},
}

// Sizes in micrometres.
var lengthUnits = []unit{{"m", 1_000_000, 1}, {"mm", 1_000, 1}, {"ft", 304_800, 1}, {"in", 25_400, 1}}

// Sizes in parts per million.
var ratioUnits = []unit{{"%", 10_000, 1}}

// ParseForce reads a force such as "250 kN", "-5 kip" or "10 t", rounded to the
// millinewton, half away from zero.
func ParseForce(s string) (Force, error) {
	n, err := parseQuantity(s, forceUnits)
	return Force(n), err
}

// ParsePressure reads a pressure such as "350 bar", rounded to the pascal, half
// away from zero.
func ParsePressure(s string) (Pressure, error) {
	n, err := parseQuantity(s, pressureUnits)
	return Pressure(n), err
}

// ParseLength reads a length such as "8 m" or "26 ft", rounded to the
// micrometre, half away from zero.
func ParseLength(s string) (Length, error) {
	n, err := parseQuantity(s, lengthUnits)
	return Length(n), err
}

// ParseRatio reads a part of a whole such as "2 %", rounded to the part per
// million, half away from zero.
func ParseRatio(s string) (Ratio, error) {
	n, err := parseQuantity(s, ratioUnits)
	return Ratio(n), err
}

// ParseDuration reads what [time.ParseDuration] reads, with a space allowed
// between a number and its unit and between parts: "20 ms", "1m30s", "1 m 30 s".
// Unlike there, a zero needs a unit too.
func ParseDuration(s string) (time.Duration, error) {
	text := closeGaps(s)
	number, rest := cutNumber(text)
	switch {
	case number == "":
		return 0, errors.New(quote(s) + " does not begin with a number")
	case strings.Contains(text, ","):
		return 0, errComma(s)
	case rest == "":
		return 0, errors.New(quote(s) + " has no unit: write one of " + durationUnits + " behind the number")
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		return 0, errors.New(quote(s) + " is no time: write numbers with one of " + durationUnits + " behind each")
	}
	return d, nil
}

const durationUnits = "ns, us, ms, s, m (minute), h"

// closeGaps removes the spaces between a digit and a letter and no others, so
// that "1 5 s" does not become fifteen seconds.
func closeGaps(s string) string {
	out := make([]byte, 0, len(s))
	for _, f := range strings.Fields(s) {
		if len(out) > 0 && isDigit(out[len(out)-1]) == isDigit(f[0]) {
			out = append(out, ' ')
		}
		out = append(out, f...)
	}
	return string(out)
}

// ParseForceUnit returns the unit of force that name stands for.
func ParseForceUnit(name string) (ForceUnit, error) {
	i, err := findUnit(name, forceUnits)
	return ForceUnit(i), err
}

// ParsePressureUnit returns the unit of pressure that name stands for.
func ParsePressureUnit(name string) (PressureUnit, error) {
	i, err := findUnit(name, pressureUnits)
	return PressureUnit(i), err
}

// String returns the unit's name, as in "kN".
func (u ForceUnit) String() string { return u.unit().name }

// Newtons returns how many newtons one unit is, rounded to the nearest float64.
func (u ForceUnit) Newtons() float64 { return u.unit().float(1000) }

// Number shows f in this unit without its name, rounded to so many decimals,
// half away from zero. A value that rounds to nothing has no sign.
func (u ForceUnit) Number(f Force, decimals int) string { return u.unit().number(int64(f), decimals) }

// Show is Number with the unit's name behind it, as in "44.482 kN".
func (u ForceUnit) Show(f Force, decimals int) string {
	return u.Number(f, decimals) + " " + u.String()
}

// Decimals returns the least number of decimals in which a step, such as the
// indicator's division, can be seen: 2 for 50 N in kN. At most 9.
func (u ForceUnit) Decimals(step Force) int { return u.unit().decimals(int64(step)) }

func (u ForceUnit) unit() unit {
	if int(u) >= len(forceUnits) {
		return forceUnits[UnitN]
	}
	return forceUnits[u]
}

// String returns the unit's name, as in "bar".
func (u PressureUnit) String() string { return u.unit().name }

// Pascals returns how many pascals one unit is, rounded to the nearest float64.
func (u PressureUnit) Pascals() float64 { return u.unit().float(1) }

// Number shows p in this unit without its name, rounded to so many decimals,
// half away from zero. A value that rounds to nothing has no sign.
func (u PressureUnit) Number(p Pressure, decimals int) string {
	return u.unit().number(int64(p), decimals)
}

// Show is Number with the unit's name behind it, as in "206.8 bar".
func (u PressureUnit) Show(p Pressure, decimals int) string {
	return u.Number(p, decimals) + " " + u.String()
}

func (u PressureUnit) unit() unit {
	if int(u) >= len(pressureUnits) {
		return pressureUnits[UnitPa]
	}
	return pressureUnits[u]
}

// float returns how many SI units one unit is, where the quantity counts in
// steps of 1/perSI.
func (u unit) float(perSI int64) float64 {
	f, _ := new(big.Rat).Mul(big.NewRat(u.num, u.den), big.NewRat(1, perSI)).Float64()
	return f
}

func (u unit) number(n int64, decimals int) string {
	scaled := new(big.Int).Mul(big.NewInt(n), big.NewInt(u.den))
	scaled.Mul(scaled, pow10(max(0, decimals)))
	return pointAt(roundDiv(scaled, big.NewInt(u.num)), max(0, decimals))
}

func (u unit) decimals(step int64) int {
	scaled := new(big.Int).Mul(new(big.Int).Abs(big.NewInt(step)), big.NewInt(u.den))
	for d := range 9 {
		if scaled.Cmp(big.NewInt(u.num)) >= 0 {
			return d
		}
		scaled.Mul(scaled, big.NewInt(10))
	}
	return 9
}

// pointAt writes n / 10^decimals with exactly so many decimals.
func pointAt(n *big.Int, decimals int) string {
	digits := new(big.Int).Abs(n).String()
	if missing := decimals + 1 - len(digits); missing > 0 {
		digits = strings.Repeat("0", missing) + digits
	}
	sign := ""
	if n.Sign() < 0 {
		sign = "-"
	}
	if decimals == 0 {
		return sign + digits
	}
	whole := len(digits) - decimals
	return sign + digits[:whole] + "." + digits[whole:]
}

// roundDiv returns n/d rounded to the nearest integer, half away from zero; d
// must be positive.
func roundDiv(n, d *big.Int) *big.Int {
	twice := new(big.Int).Abs(n)
	twice.Lsh(twice, 1).Add(twice, d)
	out := twice.Quo(twice, new(big.Int).Lsh(d, 1))
	if n.Sign() < 0 {
		out.Neg(out)
	}
	return out
}

func pow10(n int) *big.Int {
	return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil)
}

// parseQuantity reads a number and a unit and returns the nearest whole number
// of the steps that units are sized in.
func parseQuantity(s string, units []unit) (int64, error) {
	number, name := cutNumber(strings.TrimSpace(s))
	switch {
	case number == "":
		return 0, errors.New(quote(s) + " does not begin with a number")
	case strings.HasPrefix(name, ","):
		return 0, errComma(s)
	case name == "":
		return 0, errors.New(quote(s) + " has no unit: write " + list(units) + " behind the number")
	}
	i, err := findUnit(strings.TrimSpace(name), units)
	if err != nil {
		return 0, errors.New(quote(s) + " has an " + err.Error())
	}
	value, ok := parseNumber(number)
	if !ok {
		return 0, errors.New(quote(s) + " is too large or too finely written to be a measured quantity")
	}
	n := roundDiv(new(big.Int).Mul(value.Num(), big.NewInt(units[i].num)),
		new(big.Int).Mul(value.Denom(), big.NewInt(units[i].den)))
	if !n.IsInt64() || n.Int64() == -1<<63 {
		return 0, errors.New(quote(s) + " is too large")
	}
	return n.Int64(), nil
}

// cutNumber splits s behind the decimal number it begins with. The number is
// empty if there is none.
func cutNumber(s string) (number, rest string) {
	i := len(s) - len(strings.TrimLeft(s, "+-"))
	if i > 1 {
		return "", s
	}
	whole := digits(s[i:])
	end := i + whole
	if end < len(s) && s[end] == '.' {
		fraction := digits(s[end+1:])
		if whole += fraction; whole > 0 {
			end += 1 + fraction
		}
	}
	if whole == 0 {
		return "", s
	}
	end += exponent(s[end:])
	return s[:end], s[end:]
}

// exponent returns the length of the exponent that s begins with.
func exponent(s string) int {
	if s == "" || s[0] != 'e' && s[0] != 'E' {
		return 0
	}
	i := 1
	if len(s) > 1 && (s[1] == '+' || s[1] == '-') {
		i = 2
	}
	n := digits(s[i:])
	if n == 0 {
		return 0
	}
	return i + n
}

// digits returns how many digits s begins with.
func digits(s string) int {
	n := 0
	for n < len(s) && isDigit(s[n]) {
		n++
	}
	return n
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// parseNumber reads what cutNumber found. It refuses numbers so long, or with an
// exponent so large, that the exact arithmetic would be slow.
func parseNumber(s string) (value *big.Rat, ok bool) {
	const longest, largestExponent = 64, 30
	if len(s) > longest {
		return nil, false
	}
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		e, err := strconv.Atoi(s[i+1:])
		if err != nil || e > largestExponent || e < -largestExponent {
			return nil, false
		}
	}
	return new(big.Rat).SetString(s)
}

// findUnit returns the index of the unit called name.
func findUnit(name string, units []unit) (int, error) {
	for i, u := range units {
		if u.name == name {
			return i, nil
		}
	}
	text := "unknown unit " + quote(name) + ": "
	if hint := likelyUnit(name, units); hint != "" {
		text += "did you mean " + hint + "? "
	}
	return 0, errors.New(text + "write " + list(units))
}

// otherNames are names that people write for units.
var otherNames = map[string]string{
	"bars": "bar", "feet": "ft", "foot": "ft", "inch": "in", "kgs": "kg", "kips": "kip", "klbf": "kip",
	"lbs": "lb", "metre": "m", "newton": "N", "newtons": "N", "percent": "%", "pounds": "lb", "tonf": "tf",
	"tonne": "t", "tonnes": "t",
}

// likelyUnit guesses which of the units was meant by an unknown name. It does
// not guess which ton a "ton" is.
func likelyUnit(name string, units []unit) string {
	lower := strings.ToLower(name)
	has := func(want string) bool {
		return slices.ContainsFunc(units, func(u unit) bool { return u.name == want })
	}
	if (lower == "ton" || lower == "tons") && has("t") {
		return "t (1000 kg), short-ton (2000 lb) or long-ton (2240 lb)"
	}
	if other := otherNames[lower]; has(other) {
		return other
	}
	for _, u := range units {
		if strings.EqualFold(u.name, name) {
			return u.name
		}
	}
	return ""
}

// list names the units, as in "one of Pa, kPa, MPa, bar, psi".
func list(units []unit) string {
	if len(units) == 1 {
		return units[0].name
	}
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = u.name
	}
	return "one of " + strings.Join(names, ", ")
}

func errComma(s string) error {
	return errors.New(quote(s) + " has a comma: write a decimal point and no thousands separator")
}

// quote shows what was written, cut short if it is long.
func quote(s string) string {
	const longest = 40
	if len(s) > longest {
		s = strings.ToValidUTF8(s[:longest], "") + "..."
	}
	return strconv.Quote(s)
}
