package peak

import (
	"strconv"
	"time"
)

// Force is a force in millinewtons. An int64 holds ±9.2e15 N, so sums over
// a window of readings cannot overflow.
type Force int64

// Units of force.
const (
	Millinewton Force = 1
	Newton            = 1000 * Millinewton
	Kilonewton        = 1000 * Newton
	Meganewton        = 1000 * Kilonewton
)

// String shows the exact force in newtons, as in "100012.5 N".
func (f Force) String() string { return string(f.AppendNewtons(nil)) + " N" }

// AppendNewtons appends the exact decimal number of newtons.
func (f Force) AppendNewtons(b []byte) []byte { return appendDecimal(b, int64(f), 3) }

// Pressure is a gauge pressure in pascals.
type Pressure int64

// Units of pressure.
const (
	Pascal     Pressure = 1
	Kilopascal          = 1000 * Pascal
	Megapascal          = 1000 * Kilopascal
	Bar                 = 100 * Kilopascal
)

// String shows the exact pressure, as in "1250000 Pa".
func (p Pressure) String() string { return strconv.FormatInt(int64(p), 10) + " Pa" }

// Ratio is a part of a whole in parts per million: 1 % is 10 000.
type Ratio int64

// Percent is one hundredth.
const Percent Ratio = 10_000

// Of returns the part of f, rounded up in size so that a limit made with it is
// never laxer than what was asked. f must be below 1e12 N in size and r below
// 1000 %.
func (r Ratio) Of(f Force) Force {
	n := int64(f/1_000_000)*int64(r) + ceilDiv(int64(f%1_000_000)*int64(r), 1_000_000)
	return Force(n)
}

// String shows the ratio in per cent, as in "1.5 %".
func (r Ratio) String() string { return string(r.AppendPercent(nil)) + " %" }

// AppendPercent appends the exact decimal number of per cent.
func (r Ratio) AppendPercent(b []byte) []byte { return appendDecimal(b, int64(r), 4) }

// AppendSeconds appends the exact decimal number of seconds of d.
func AppendSeconds(b []byte, d time.Duration) []byte { return appendDecimal(b, int64(d), 9) }

// Maybe is a value that may be unknown; unknown is written as null.
type Maybe[T any] struct {
	Value T
	Known bool
}

// Known returns a Maybe that holds v.
func Known[T any](v T) Maybe[T] { return Maybe[T]{Value: v, Known: true} }

// appendDecimal appends n / 10^places without trailing zeros.
func appendDecimal(b []byte, n int64, places int) []byte {
	if n < 0 {
		b = append(b, '-')
	}
	scale := uint64(1)
	for range places {
		scale *= 10
	}
	u := magnitude(n)
	b = strconv.AppendUint(b, u/scale, 10)
	frac := u % scale
	if frac == 0 {
		return b
	}
	b = append(b, '.')
	for frac != 0 {
		scale /= 10
		b = append(b, byte('0'+frac/scale))
		frac %= scale
	}
	return b
}

func magnitude(n int64) uint64 {
	if n < 0 {
		return -uint64(n)
	}
	return uint64(n)
}

// ceilDiv divides and rounds away from zero; d must be positive.
func ceilDiv(n, d int64) int64 {
	if n < 0 {
		return -ceilDiv(-n, d)
	}
	return (n + d - 1) / d
}

func absForce(f Force) Force {
	if f < 0 {
		return -f
	}
	return f
}
