package journal

import (
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"
)

// decimalForm is what a number in a trace looks like; math/big takes more.
var decimalForm = regexp.MustCompile(`^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

// exactly is the number that text writes, times ten to the power of places,
// rounded half away from zero, by the arithmetic of math/big.
func exactly(text string, places int) (*big.Int, bool) {
	if !decimalForm.MatchString(text) {
		return nil, false
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		return nil, false
	}
	r.Mul(r, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)))
	// round(x) = sign(x) * floor(|x| + 1/2)
	half := new(big.Rat).Add(new(big.Rat).Abs(r), big.NewRat(1, 2))
	n := new(big.Int).Quo(half.Num(), half.Denom())
	if r.Sign() < 0 {
		n.Neg(n)
	}
	return n, true
}

// sameAsBig compares one conversion with math/big, and with an exponent so small
// that math/big can hold it.
func sameAsBig(t *testing.T, text string, places int) {
	t.Helper()
	got, err := parseDecimal([]byte(text), places)
	want, ok := exactly(text, places)
	switch {
	case !ok:
		if !errors.Is(err, errNotNumber) {
			t.Fatalf("%q: %d, %v; want no number", text, got, err)
		}
	case !want.IsInt64() || want.Int64() == -1<<63:
		if !errors.Is(err, errTooLarge) {
			t.Fatalf("%q: %d, %v; want it out of range", text, got, err)
		}
	case err != nil || got != want.Int64():
		t.Fatalf("%q with %d places: %d, %v; want %v", text, places, got, err, want)
	}
}

func TestParseDecimal(t *testing.T) {
	for _, text := range []string{
		"0", "-0", "+0", "1", "-1", "00012", "1.", ".1", "-.5", "0.5", "0.4999999999999999999999", "0.05", "0.0005", "-0.0005", "0.00049999",
		"9223372036854775.807", "9223372036854775.808", "-9223372036854775.807", "9223372036854775.8074", "9223372036854775.8075", "9223372036.854775807",
		"9223372036.8547758074999", "9223372036.8547758075", "123456789012345678", "1234567890123456789", "12345678901234567890", "0.000000000000000000001",
		"1e0", "1E3", "1e-3", "1e-4", "5e-4", "4.9e-4", "5e-10", "1e15", "1e18", "1e19", "-1e19", "100e-2", ".5e1", "5.e1", "0e999", "0.000e-999", "1e-999",
		"", "+", "-", ".", "e", "e5", "1e", "1e+", "1e1.5", "1.2.3", "1e5e5", "1 ", " 1", "1,5", "NaN", "Inf", "-inf", "0x10", "1_0", "--1", "+-1", "1-", "½", "1\x00",
		strings.Repeat("9", 400), "0." + strings.Repeat("0", 400) + "5", strings.Repeat("0", 400) + "1", "." + strings.Repeat("9", 400),
		strings.Repeat("0", 30) + "." + strings.Repeat("0", 30), "1" + strings.Repeat("0", 300) + "e-300", "0." + strings.Repeat("0", 300) + "1e301",
	} {
		for _, places := range []int{0, 3, 9} {
			sameAsBig(t, text, places)
		}
	}
	for text, want := range map[string]error{"1e1000000000000": errTooLarge, "0e1000000000000": nil, "1e-1000000000000": nil, "-7e-1000000000000": nil} {
		if n, err := parseDecimal([]byte(text), 3); n != 0 || err != want {
			t.Errorf("%q: %d, %v; want 0, %v", text, n, err, want)
		}
	}
}

func TestParseDecimalAgainstBig(t *testing.T) {
	chance := rand.New(rand.NewPCG(7, 7))
	for range 20_000 {
		text := fmt.Sprint(chance.Int64() >> chance.IntN(63))
		if chance.IntN(2) == 0 {
			text = "-" + text
		}
		if chance.IntN(3) > 0 {
			at := chance.IntN(len(text) + 1)
			text = text[:at] + "." + text[at:]
		}
		if chance.IntN(3) == 0 {
			text += fmt.Sprintf("e%d", chance.IntN(50)-25)
		}
		sameAsBig(t, text, chance.IntN(10))
	}
}

func FuzzParseDecimal(f *testing.F) {
	f.Add("12345.678", 3)
	f.Add("-0.0005", 3)
	f.Add("1e-9", 9)
	f.Fuzz(func(t *testing.T, text string, places int) {
		_, exponent, _ := splitExponent([]byte(text))
		if len(text) > 100 || exponent > 1000 || exponent < -1000 || places < 0 || places > 9 {
			return // too slow for math/big
		}
		sameAsBig(t, text, places)
	})
}
