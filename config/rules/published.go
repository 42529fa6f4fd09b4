package rules

import (
	_ "embed"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"thimbled/peak"
)

//go:embed published.csv
var publishedTable string

// published reads the table once. It is ours, so what is wrong with it ends the
// program; a test reads it first.
var published = sync.OnceValue(func() []Rule {
	all, err := readTable(publishedTable)
	if err != nil {
		panic("published.csv: " + err.Error())
	}
	return all
})

// readTable reads rules, a branch a row. The rows of a rule stand together; what
// is no branch stands in its first row.
func readTable(text string) ([]Rule, error) {
	r := csv.NewReader(strings.NewReader(text))
	names, err := r.Read()
	if err != nil {
		return nil, err
	}
	rows, err := r.ReadAll()
	if err != nil {
		return nil, err
	}
	var all []Rule
	for _, cells := range rows {
		row := tableRow{}
		for i, name := range names {
			row[name] = cells[i]
		}
		if err := row.addTo(&all); err != nil {
			return nil, fmt.Errorf("%s: %w", row["id"], err)
		}
	}
	return all, nil
}

// tableRow is a row by the names of its columns.
type tableRow map[string]string

func (row tableRow) addTo(all *[]Rule) error {
	if n := len(*all); n == 0 || (*all)[n-1].ID != row["id"] {
		if slices.ContainsFunc(*all, func(r Rule) bool { return r.ID == row["id"] }) {
			return errors.New("stands in two places")
		}
		rule, err := row.rule()
		if err != nil {
			return err
		}
		*all = append(*all, rule)
	}
	rule := &(*all)[len(*all)-1]
	if row["least"] == "" {
		return nil // it sets a hold only
	}
	b, err := row.branch()
	if err != nil {
		return err
	}
	if rule.Window.Known && b.Least.Plus.Known {
		return fmt.Errorf("a window has no meaning with %v", b.Least)
	}
	return rule.Add(b)
}

func (row tableRow) rule() (Rule, error) {
	low, errLow := known(row["low"], peak.ParseRatio)
	high, errHigh := known(row["high"], peak.ParseRatio)
	hold, errHold := known(row["hold"], peak.ParseDuration)
	termination, errTermination := known(row["termination"], peak.ParseRatio)
	r := Rule{
		ID: row["id"], Item: row["item"], Hold: hold, Document: row["document"], Clause: row["clause"],
		HowKnown: row["how_known"], Remark: row["remark"], Termination: termination.Value,
	}
	if low.Known && high.Known {
		r.Window = peak.Known(Window{low.Value, high.Value})
	}
	for word := range strings.FieldsSeq(row["caution"]) {
		r.Cautions = append(r.Cautions, Caution(word))
	}
	return r, errors.Join(errLow, errHigh, errHold, errTermination)
}

func (row tableRow) branch() (Branch, error) {
	above, errAbove := known(row["above"], ParseLoad)
	upTo, errUpTo := known(row["up_to"], ParseLoad)
	least, errLeast := ParseFormula(row["least"])
	most, errMost := known(row["most"], ParseFormula)
	return Branch{above, upTo, least, most}, errors.Join(errAbove, errUpTo, errLeast, errMost)
}

// known reads a cell that may be empty.
func known[T any](cell string, parse func(string) (T, error)) (peak.Maybe[T], error) {
	if cell == "" {
		return peak.Maybe[T]{}, nil
	}
	v, err := parse(cell)
	return peak.Known(v), err
}
