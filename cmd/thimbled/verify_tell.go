package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"thimbled/peak/verify"
)

// tell writes the report for people.
func (a verifiedJSON) tell(w io.Writer) error {
	a.tellOrigin(w)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(t, "run\tapplied %[1]v\tindicated %[1]v\terror %[1]v\terror %%\t\n", a.unit)
	for _, r := range a.Rows {
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t\n", r.Run, a.number(r.Applied, 1), a.number(r.Indicated, 1), a.number(r.Error, 1), percentCell(r.Percent))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	fmt.Fprintf(t, "force %v\truns\tlargest error %%\trepeatability %%\tq %%\tb %% before 2015\tb %% from 2015\ta %%\tverified\t\n", a.unit)
	for _, l := range a.Levels {
		fmt.Fprintf(t, "%s\t%d\t%.4f\t%s\t%.4f\t%s\t%s\t%.4f\t%s\t\n", a.number(l.Applied, 0), l.Runs, l.MaxError, percentCell(l.Repeatability),
			l.Q, percentCell(l.BOlder), percentCell(l.BLater), l.Resolution, yesNo(l.Verified))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	for _, f := range a.Findings {
		fmt.Fprintf(w, "%s%s: %s\n", effectText(f.Effect), f.Rule, f.Text)
	}
	_, err := fmt.Fprintf(w, "%s %s\n", a.resultText(), a.classText())
	return err
}

// tellOrigin says of what the report is.
func (a verifiedJSON) tellOrigin(w io.Writer) {
	of, with := a.Bench, a.Standard
	if a.Range != "" {
		of += ", range " + a.Range
	}
	switch {
	case with == "":
		with = "a reference that is not told"
	case a.Uncertainty != "":
		with += " (" + a.Uncertainty + ", k = 2)"
	}
	fmt.Fprintf(w, "Force readings of %s with a division of %s %v, compared with %s on %s by %s.\n\n",
		of, a.number(a.Resolution, 0), a.unit, with, a.On, a.By)
}

// number tells a force to the division, or some digits finer.
func (a verifiedJSON) number(newtons float64, finer int) string {
	return a.unit.Number(inForce(newtons), a.unit.Decimals(inForce(a.Resolution))+finer)
}

func percentCell(x *float64) string {
	if x == nil {
		return "-"
	}
	return fmt.Sprintf("%.4f", *x)
}

func yesNo(yes bool) string {
	if yes {
		return "yes"
	}
	return "no"
}

func effectText(e verify.Effect) string {
	switch e {
	case verify.Refuses:
		return "Refused by "
	case verify.Limits:
		return "Limited by "
	}
	return "Remark: "
}

func (a verifiedJSON) resultText() string {
	if !a.Verified {
		return "Not verified."
	}
	return fmt.Sprintf("Verified by ASTM E4 from %s %v to %s %v, until %s.", a.number(*a.From, 0), a.unit, a.number(*a.To, 0), a.unit, *a.Until)
}

func (a verifiedJSON) classText() string {
	if a.Class == nil {
		return "No class of ISO 7500-1 is stated."
	}
	return fmt.Sprintf("The figures from %s %v to %s %v are good for class %g of ISO 7500-1.",
		a.number(*a.ClassFrom, 0), a.unit, a.number(*a.ClassTo, 0), a.unit, *a.Class)
}
