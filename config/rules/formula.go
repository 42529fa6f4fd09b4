package rules

import (
	"errors"
	"math/big"
	"regexp"
	"strings"

	"thimbled/peak"
)

// Base is what a formula multiplies.
type Base string

// The bases.
const (
	WLL      Base = "WLL"                // of the item: its rated load, SWL or rated capacity
	LegWLL   Base = "leg WLL"            // of one leg alone, pulled straight
	LegsWLL  Base = "combined leg force" // of all legs together
	Target   Base = "target load"        // which another rule sets
	Strength Base = "strength"           // nominal breaking strength
)

// Formula is a load reckoned from a base: times x base + plus.
type Formula struct {
	Times string // decimal
	Base  Base
	Plus  peak.Maybe[Load]
}

var formulaText = regexp.MustCompile(
	`^(?:([0-9]+(?:\.[0-9]+)?) x )?(WLL|leg WLL|combined leg force|target load|strength)(?: \+ (.+))?$`)

// ParseFormula reads a formula such as "2 x WLL" or "1.04 x WLL + 9.6 t". Factors
// have at most four digits before and after the point.
func ParseFormula(s string) (Formula, error) {
	m := formulaText.FindStringSubmatch(strings.Join(strings.Fields(s), " "))
	if m == nil {
		return Formula{}, errFormula
	}
	f := Formula{Times: "1", Base: Base(m[2])}
	if m[1] != "" {
		before, after, _ := strings.Cut(m[1], ".")
		n, _ := new(big.Rat).SetString(m[1])
		if len(before) > 4 || len(after) > 4 || n.Sign() == 0 {
			return Formula{}, errors.New("has a factor of " + m[1] + ": allowed is 0.0001 to 9999")
		}
		f.Times = exactly(n)
	}
	if m[3] != "" {
		plus, err := ParseLoad(m[3])
		if err != nil {
			return Formula{}, err
		}
		f.Plus = peak.Known(plus)
	}
	return f, nil
}

var errFormula = errors.New(`is no formula: write one such as "2 x WLL", "1.04 x WLL + 9.6 t", "2 x leg WLL", or "0.5 x strength" for the most`)

// String writes the formula, as in "1.04 x WLL + 9.6 t".
func (f Formula) String() string {
	s := string(f.Base)
	if f.Times != "1" {
		s = f.Times + " x " + s
	}
	if f.Plus.Known {
		s += " + " + f.Plus.Value.String()
	}
	return s
}

func (f Formula) times() *big.Rat {
	n, _ := new(big.Rat).SetString(f.Times)
	return n
}

func (f Formula) plus() *big.Rat {
	if !f.Plus.Known {
		return new(big.Rat)
	}
	return f.Plus.Value.millinewtons()
}

// of is the exact number of millinewtons for a base of so many.
func (f Formula) of(base *big.Rat) *big.Rat {
	n := new(big.Rat).Mul(f.times(), base)
	return n.Add(n, f.plus())
}
