package journal

import (
	"errors"
	"math"
	"math/bits"
)

// The decimal places of what is counted in whole units.
const (
	secondsPlaces  = 9 // nanoseconds in a second
	forcePlaces    = 3 // millinewtons in a newton
	pressurePlaces = 0 // pascals
)

// Why a text is not a number.
var (
	errNotNumber = errors.New("is not a number")
	errTooLarge  = errors.New("is out of range")
)

var powersOfTen = [19]uint64{
	1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
}

// parseDecimal returns the decimal number that b writes, times ten to the power
// of places (0 to 9), rounded half away from zero to a whole number. The
// conversion is exact: no binary fraction comes in. b is digits with at most one
// point among or around them, a sign before and an exponent after if wanted.
// Errors are errNotNumber and errTooLarge.
func parseDecimal(b []byte, places int) (int64, error) {
	negative := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		negative = b[0] == '-'
		b = b[1:]
	}
	n, ok := parsePlain(b, places)
	if !ok {
		var err error
		if n, err = parseAny(b, places); err != nil {
			return 0, err
		}
	}
	if negative {
		return -int64(n), nil
	}
	return int64(n), nil
}

// parsePlain is the fast way for what traces hold: no exponent, no more digits
// after the point than places, no more than 18 in all. It is not ok for
// anything else.
func parsePlain(b []byte, places int) (n uint64, ok bool) {
	if len(b) == 0 || len(b) > 19 {
		return 0, false
	}
	point := len(b)
	for i, c := range b {
		if d := c - '0'; d <= 9 {
			n = n*10 + uint64(d)
		} else if c == '.' && point == len(b) {
			point = i
		} else {
			return 0, false
		}
	}
	after := len(b) - point - 1
	if point == len(b) {
		after = 0
	}
	if after > places || len(b) == 1 && point == 0 || len(b) == 19 && point == 19 {
		return 0, false
	}
	high, n := bits.Mul64(n, powersOfTen[places-after])
	return n, high == 0 && n <= math.MaxInt64
}

// parseAny takes any unsigned decimal number.
func parseAny(b []byte, places int) (uint64, error) {
	mantissa, exponent, ok := splitExponent(b)
	if !ok {
		return 0, errNotNumber
	}
	before, total := 0, 0 // digits before the point, and in all
	point := false
	for _, c := range mantissa {
		switch {
		case c == '.' && !point:
			point = true
		case c < '0' || c > '9':
			return 0, errNotNumber
		default:
			total++
			if !point {
				before++
			}
		}
	}
	if total == 0 {
		return 0, errNotNumber
	}
	return wholePart(mantissa, before+exponent+places)
}

// wholePart returns the number that the first so many digits of a mantissa
// make, rounded by the digit after them. Digits behind the end are 0.
func wholePart(mantissa []byte, digits int) (n uint64, err error) {
	for _, c := range mantissa {
		if c == '.' {
			continue
		}
		if digits <= 0 {
			// The first digit left out decides, unless zeros stand before it.
			if digits == 0 && c >= '5' {
				n++
			}
			if n > math.MaxInt64 {
				return 0, errTooLarge
			}
			return n, nil
		}
		digits--
		if n, err = shift(n, uint64(c-'0')); err != nil {
			return 0, err
		}
	}
	for ; digits > 0 && n > 0; digits-- {
		if n, err = shift(n, 0); err != nil {
			return 0, err
		}
	}
	return n, nil
}

// shift appends a digit to a number if an int64 holds the result.
func shift(n, d uint64) (uint64, error) {
	if n > (math.MaxInt64-d)/10 {
		return 0, errTooLarge
	}
	return n*10 + d, nil
}

// splitExponent splits off the exponent, which is 0 if there is none. Its size
// ends at a million, beyond which no number of a row's length has digits.
func splitExponent(b []byte) (mantissa []byte, exponent int, ok bool) {
	const limit = 1_000_000
	for i, c := range b {
		if c != 'e' && c != 'E' {
			continue
		}
		digits := b[i+1:]
		negative := false
		if len(digits) > 0 && (digits[0] == '-' || digits[0] == '+') {
			negative = digits[0] == '-'
			digits = digits[1:]
		}
		for _, d := range digits {
			if d < '0' || d > '9' {
				return nil, 0, false
			}
			exponent = min(limit, exponent*10+int(d-'0'))
		}
		if negative {
			exponent = -exponent
		}
		return b[:i], exponent, len(digits) > 0
	}
	return b, 0, true
}
