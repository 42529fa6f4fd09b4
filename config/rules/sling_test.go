package rules

import (
	"math/big"
	"strings"
	"testing"

	"thimbled/peak"
)

// Source: chain_slings.csv, every row: single-leg figures as OSHA's tables
// publish them, legs at an angle computed from them to a tenth of a pound.
func TestChainSlingTables(t *testing.T) {
	columns := map[string]struct{ legs, degrees int }{
		"dbl60_calc": {2, 60}, "dbl45_calc": {2, 45}, "dbl30_calc": {2, 30},
		"tri60_calc": {3, 60}, "tri45_calc": {3, 45}, "tri30_calc": {3, 30},
	}
	for _, row := range rows(t, "testdata/chain_slings.csv") {
		leg := load(t, row["single_leg_lb_PUBLISHED"]+" lb")
		for column, c := range columns {
			for _, legs := range []int{c.legs, max(c.legs, 4*(c.legs-2))} { // four legs count as three
				got, err := SlingWLL(leg, legs, c.degrees)
				if err != nil || peak.UnitLb.Number(got, 1) != row[column] {
					t.Errorf("%s %s, %d legs at %d: %s lb, want %s, %v", row["grade"], row["size_in"], legs, c.degrees,
						peak.UnitLb.Number(got, 1), row[column], err)
				}
			}
		}
	}
}

func TestSlingsThatAreInNoTable(t *testing.T) {
	for _, c := range [][2]int{{1, 60}, {5, 60}, {0, 60}, {2, 50}, {2, 0}, {2, -60}} {
		if f, err := SlingWLL(load(t, "1 t"), c[0], c[1]); err == nil {
			t.Errorf("%d legs at %d degrees lift %v", c[0], c[1], f)
		}
	}
}

// Source: en13414_table4.csv, every row: the formula's columns to four decimals
// of a tonne, and the standard's own figures within 2.5 %.
func TestRopeSlingTable(t *testing.T) {
	for _, row := range rows(t, "testdata/en13414_table4.csv") {
		d := rat(t, row["rope_mm"])
		strength := new(big.Rat).Mul(d, d)
		strength.Mul(strength, rat(t, "0.356")).Mul(strength, rat(t, "1.770"))
		if got := strength.FloatString(3); got != row["Fmin_kN_=0.356*d^2*1770/1000"] {
			t.Fatalf("%s mm breaks at %s kN", row["rope_mm"], got)
		}
		rope := load(t, exactly(strength)+" kN")
		ferrule, spliced := RopeWLL(rope, 90*peak.Percent), RopeWLL(rope, 80*peak.Percent)
		if got := ferrule.FloatString(4); got != row["WLL_t_formula_KT0.9_Zp5_g9.81"] {
			t.Errorf("%s mm: %s t", row["rope_mm"], got)
		}
		if got := spliced.FloatString(4); got != row["WLL_t_formula_KT0.8"] {
			t.Errorf("%s mm, spliced: %s t", row["rope_mm"], got)
		}
		off := new(big.Rat).Quo(rat(t, row["WLL_t_published_1leg"]), ferrule)
		off.Sub(off, big.NewRat(1, 1)).Abs(off)
		if off.Cmp(rat(t, "0.025")) > 0 {
			t.Errorf("%s mm is off by %s", row["rope_mm"], off.FloatString(4))
		}
	}
}

// A tag that says what the standard's table says is never doubted, nor one that
// is 2.5 % above the formula; one that is more above is.
func TestRopeSlingTagIsChecked(t *testing.T) {
	mech, err := Find("b30_9_mech")
	if err != nil {
		t.Fatal(err)
	}
	doubts := func(tonnes *big.Rat, strength Load) bool {
		d, err := mech.Demand(load(t, tonnes.FloatString(9)+" t"), peak.Known(strength))
		if err != nil {
			t.Fatal(err)
		}
		return strings.Contains(strings.Join(d.Warnings, "\n"), "check the tag")
	}
	for _, row := range rows(t, "testdata/en13414_table4.csv") {
		strength := load(t, row["Fmin_kN_=0.356*d^2*1770/1000"]+" kN")
		above := func(factor string) *big.Rat {
			return new(big.Rat).Mul(RopeWLL(strength, 90*peak.Percent), rat(t, factor))
		}
		if doubts(rat(t, row["WLL_t_published_1leg"]), strength) || doubts(above("1.0249"), strength) || !doubts(above("1.0251"), strength) {
			t.Errorf("%s mm: a right tag is doubted, or a wrong one is not", row["rope_mm"])
		}
	}
}
