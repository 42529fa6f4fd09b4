package rules

import (
	"encoding/csv"
	"math/big"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
)

func rat(t testing.TB, s string) *big.Rat {
	t.Helper()
	n, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return n
}

func load(t testing.TB, s string) Load {
	t.Helper()
	l, err := ParseLoad(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// rows reads a file of published figures, each row by its columns.
func rows(t *testing.T, path string) []map[string]string {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	all, err := csv.NewReader(file).ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", path, len(all), err)
	}
	var out []map[string]string
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = cells[i]
		}
		out = append(out, row)
	}
	return out
}

var longUnits = map[string]string{"t": "t", "st": "short-ton"}

// newtons of a published figure, without rounding, from the definitions: the
// tonne at standard gravity, the short ton as 2000 pounds of 0.45359237 kg.
func millinewtons(t *testing.T, n *big.Rat, unit string) *big.Rat {
	size := map[string]string{"t": "9806650", "st": "8896443.230521"}[unit]
	return new(big.Rat).Mul(n, rat(t, size))
}

func ceil(n *big.Rat) peak.Force {
	up := new(big.Rat).Add(n, new(big.Rat).Sub(big.NewRat(1, 1), new(big.Rat).SetFrac(big.NewInt(1), n.Denom())))
	return peak.Force(new(big.Int).Div(up.Num(), up.Denom()).Int64())
}

func floor(n *big.Rat) peak.Force {
	return peak.Force(new(big.Int).Div(n.Num(), n.Denom()).Int64())
}

// Source: proof_vectors.csv, every row. The file rounds to three decimals or
// gives more; that the rest is exact is checked row by row below.
func TestPublishedVectors(t *testing.T) {
	for _, row := range rows(t, "testdata/proof_vectors.csv") {
		id, most := strings.CutSuffix(row["rule"], "_max")
		id = strings.TrimSuffix(id, "_min")
		rule, err := Find(id)
		if err != nil {
			t.Error(err)
			continue
		}
		d, err := rule.Demand(load(t, row["swl"]+" "+longUnits[row["unit"]]), peak.Maybe[Load]{})
		if err != nil {
			t.Error(err)
			continue
		}
		got := d.Least
		if most {
			got = d.Most
		}
		unit, err := peak.ParseForceUnit(longUnits[row["unit"]])
		if err != nil {
			t.Fatal(err)
		}
		_, digits, _ := strings.Cut(row["expected_proof"], ".")
		decimals := max(3, len(digits))
		if want := rat(t, row["expected_proof"]).FloatString(decimals); !got.Known || unit.Number(got.Value, decimals) != want {
			t.Errorf("%v: got %s", row, unit.Number(got.Value, decimals))
		}
	}
}

// branchSuffix ends the id of a published row that is one branch of a rule.
var branchSuffix = regexp.MustCompile(`_(a|b|c|d|le150|gt150)$`)

// published proof loads are written as 2*SWL, SWL+20 and the like.
var publishedFormula = regexp.MustCompile(`^(?:([0-9.]+)\*)?\(?[A-Za-z][A-Za-z_ ]*\)?(?:\+([0-9.]+))?$`)

func evaluate(t *testing.T, formula string, base *big.Rat) *big.Rat {
	t.Helper()
	m := publishedFormula.FindStringSubmatch(formula)
	if m == nil {
		t.Fatalf("%q is no formula", formula)
	}
	n := new(big.Rat).Set(base)
	if m[1] != "" {
		n.Mul(n, rat(t, m[1]))
	}
	if m[2] != "" {
		n.Add(n, rat(t, m[2]))
	}
	return n
}

// Source: proof_loads.csv. Every row is in our table, and everything in our table
// is in a row: the figures at and around each bound, the hold, the document, the
// clause and how it is known.
func TestTableHasEveryPublishedRule(t *testing.T) {
	seen := map[string]int{} // branches
	for _, row := range rows(t, "testdata/proof_loads.csv") {
		id := row["id"]
		if _, err := Find(id); err != nil {
			id = branchSuffix.ReplaceAllString(id, "")
		}
		rule, err := Find(id)
		if err != nil {
			t.Errorf("%s: %v", row["id"], err)
			continue
		}
		if rule.Source() != row["document_and_clause"] || rule.HowKnown != row["how_known"] || rule.Item == "" {
			t.Errorf("%s: source %q, known %q, want %v", id, rule.Source(), rule.HowKnown, row)
		}
		checkPublishedHold(t, rule, row)
		if row["min_proof"] != "" {
			seen[id]++
			checkPublishedBranch(t, rule, row)
		} else {
			seen[id] += 0
		}
	}
	for _, r := range Published() {
		n, ok := seen[r.ID]
		if !ok || n != len(r.Branches) {
			t.Errorf("%s has %d branches, published are %d", r.ID, len(r.Branches), n)
		}
	}
}

// p307_factor carries its document's hold, which has a row of its own.
func checkPublishedHold(t *testing.T, r Rule, row map[string]string) {
	want := row["hold_s_min"]
	if r.ID == "p307_factor" {
		want = "120"
	}
	got := ""
	if r.Hold.Known {
		got = string(peak.AppendSeconds(nil, r.Hold.Value))
	}
	if got != want {
		t.Errorf("%s holds for %q s, want %q", r.ID, got, want)
	}
}

func checkPublishedBranch(t *testing.T, r Rule, row map[string]string) {
	t.Helper()
	unit := "t"
	if strings.Contains(row["above"]+row["up_to"], "st") {
		unit = "st"
	}
	bound := func(cell string) *big.Rat { return rat(t, strings.TrimSuffix(strings.TrimSuffix(cell, unit), " ")) }
	low := bound(row["above"])
	samples := []*big.Rat{new(big.Rat).Add(low, big.NewRat(1, 100)), new(big.Rat).Add(low, rat(t, "4.123457"))}
	if row["up_to"] != "" {
		samples = append(samples, bound(row["up_to"]))
	}
	strength := load(t, "123.456789 kN")
	for _, x := range samples {
		d, err := r.Demand(load(t, x.FloatString(6)+" "+longUnits[unit]), peak.Known(strength))
		if err != nil {
			t.Errorf("%s: %v", row["id"], err)
			continue
		}
		least, most := publishedLimits(t, r, row, x, unit)
		if !d.Least.Known || d.Least.Value != least || d.Most != most {
			t.Errorf("%s of %s %s: least %v, most %+v, want %v and %+v", row["id"], x.FloatString(6), unit, d.Least.Value, d.Most, least, most)
		}
	}
}

// publishedLimits are the row's figures. The rules of DOE-STD-1090 and NAVFAC
// P-307 stand under their document's tolerance of -5/+0 %, a row of its own.
func publishedLimits(t *testing.T, r Rule, row map[string]string, base *big.Rat, unit string) (peak.Force, peak.Maybe[peak.Force]) {
	target := millinewtons(t, evaluate(t, row["min_proof"], base), unit)
	switch {
	case row["max_proof"] == "0.5*nominal_strength":
		return ceil(target), peak.Known(floor(rat(t, "61728394.5")))
	case row["max_proof"] != "":
		return ceil(target), peak.Known(floor(millinewtons(t, evaluate(t, row["max_proof"], base), unit)))
	case strings.HasPrefix(r.ID, "doe1090_"), r.ID == "p307_factor":
		return ceil(new(big.Rat).Mul(target, rat(t, "0.95"))), peak.Known(floor(target))
	}
	return ceil(target), peak.Maybe[peak.Force]{}
}

// "Up to" is inclusive in every unit that says the same, and one more of the
// smallest step is above. The bounds have no exact number of millinewtons in
// short tons.
func TestBranchPointsAreExact(t *testing.T) {
	for _, c := range []struct{ rule, at, above string }{
		{"cfr1919_31_multi", "20 t", "20.000000000000001 t"},
		{"cfr1919_31_multi", "20000 kg", "20000.000000001 kg"},
		{"cfr1919_31_multi", "196133 N", "196133.000000001 N"},
		{"cfr1918_IV", "50 short-ton", "50.0000000000001 short-ton"},
		{"b30_26", "150 short-ton", "150.0000000000001 short-ton"},
		{"b30_26", "300000 lb", "300000.0000000001 lb"},
		{"b30_26", "1334466.48457815 N", "1334466.48457816 N"},
		{"ilo_beam", "160 t", "160.0000000000001 t"},
	} {
		rule, err := Find(c.rule)
		if err != nil {
			t.Fatal(err)
		}
		find := func(s string) int {
			return slices.IndexFunc(rule.Branches, func(b Branch) bool { return b.covers(load(t, s).millinewtons()) })
		}
		if at, above := find(c.at), find(c.above); above != at+1 {
			t.Errorf("%s: %s is in branch %d, %s in branch %d", c.rule, c.at, at, c.above, above)
		}
	}
}

// Every rated load lies in exactly one branch.
func TestBranchesHaveNoGap(t *testing.T) {
	for _, r := range Published() {
		for i, b := range r.Branches {
			if b.Above.Known != (i > 0) || b.UpTo.Known != (i < len(r.Branches)-1) {
				t.Errorf("%s: branch %d is %q", r.ID, i, b.Range())
			}
		}
	}
}

func TestRulesThatSetNoLoad(t *testing.T) {
	want := []string{"doe1090_tol", "p307_tol", "p307_hold", "p307_hold10", "b30_10_hold", "mil_s_22824"}
	var got []string
	for _, r := range Published() {
		if !r.SetsLoad() {
			got = append(got, r.ID)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("rules that set no load are %q, want %q", got, want)
	}
	hook, err := Find("b30_10_hold")
	if err != nil {
		t.Fatal(err)
	}
	d, err := hook.Demand(load(t, "3 t"), peak.Maybe[Load]{})
	if err != nil || d.Least.Known || d.Most.Known || d.Hold != peak.Known(15*time.Second) || len(d.Warnings) > 0 {
		t.Errorf("a rule with a hold only gives %+v, %v", d, err)
	}
}

func TestFindSaysWhatWasMeant(t *testing.T) {
	own := Rule{ID: "loft_spreader"}
	if r, err := Find("loft_spreader", own); err != nil || r.ID != "loft_spreader" {
		t.Errorf("an own rule: %v, %v", r, err)
	}
	for id, hint := range map[string]string{
		"ilo_lose": `did you mean "ilo_loose"?`, "loft_spredder": `did you mean "loft_spreader"?`, "weather": "thimbled rules lists them",
	} {
		if _, err := Find(id, own); err == nil || !strings.Contains(err.Error(), hint) {
			t.Errorf("%s: %v, want %q", id, err, hint)
		}
	}
	if all := All(own); all[len(all)-1].ID != "loft_spreader" || len(Published()) != len(all)-1 {
		t.Errorf("own rules do not stand behind the published ones")
	}
}

func TestBadTables(t *testing.T) {
	const head = "id,item,above,up_to,least,most,low,high,hold,document,clause,how_known,caution,termination,remark\n"
	for table, says := range map[string]string{
		"a,x,,,twice,,,,,,,,,,\n":                                        "no formula",
		"a,x,,,2 x WLL,1.5 x WLL,,,,,,,,,\n":                             "must be above least",
		"a,x,,10 t,2 x WLL,,,,,,,,,,\na,,11 t,,WLL,,,,,,,,,,\n":          "write above",
		"a,x,,,2 x WLL,,,,,,,,,,\na,,11 t,,WLL,,,,,,,,,,\n":              "no up_to",
		"a,x,,,WLL,,,,,,,,,,\nb,x,,,WLL,,,,,,,,,,\na,,,,WLL,,,,,,,,,,\n": "two places",
		"a,x,,,WLL + 2 t,,95 %,100 %,,,,,,,\n":                           "window",
		"a,x,,,WLL,,,,soon,,,,,,\n":                                      "soon",
		"a,x,,,WLL,,,\n":                                                 "wrong number of fields",
	} {
		if _, err := readTable(head + table); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, want %q", table, err, says)
		}
	}
}
