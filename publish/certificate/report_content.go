package certificate

import (
	"fmt"
	"slices"
	"strings"

	"thimbled/peak/verify"
)

// basis says what was compared with what, and what came of it.
func (r *Report) basis() []row {
	v := r.v.Verified
	replaced := "by none of this range so far"
	if r.v.Replaced != nil {
		replaced = fmt.Sprintf("by record %d, %s", r.v.Replaced.Number, dateTime(r.v.Replaced.At))
	}
	out := []row{
		{Label: "Bench", Text: r.v.Bench},
		{Label: "Range", Text: or(v.Range, "the only one")},
		{Label: "Instrument", Text: instrumentText(v.Verification), Wide: true},
		{Label: "Compared with", Text: standardText(v.Standard), Wide: true},
		{Label: "Division", Text: r.divisionText()},
		{Label: "Made by", Text: or(v.By, notStated)},
		{Label: "Made", Text: dateTime(v.MadeAt)},
		{Label: "Counts until", Text: dateTime(v.UntilAt)},
		{Label: "Verified range", Text: fmt.Sprintf("%s to %s", r.figures.force(v.From), r.figures.force(v.To)), Wide: true},
		{Label: "Largest error", Text: joined(v.MaxError.String())},
		{Label: "Repeatability", Text: joined(v.Repeatability.String())},
		{Label: "ISO 7500-1", Text: r.classRange(), Wide: true},
		{Label: "Zero returns", Text: r.zeroText(), Wide: true},
		{Label: "Surroundings", Text: "no notes on record"},
		{Label: "Replaced", Text: replaced},
	}
	if report := plain(v.Report); report != "" {
		out = append(out, row{Label: "Report", Text: report, Wide: true})
	}
	return out
}

func (r *Report) divisionText() string {
	if r.division == 0 {
		return notStated
	}
	return r.figures.force(r.division)
}

// classRange is the class with the forces that it is of.
func (r *Report) classRange() string {
	j := r.judged
	if j.Class == 0 {
		return "no class is stated"
	}
	s := fmt.Sprintf("class %g for %s to %s", j.Class, r.figures.plainForce(force(j.ClassFrom)), r.figures.plainForce(force(j.ClassTo)))
	if j.ClassLowerLimit > 0 {
		s += fmt.Sprintf("; its lower limit is %s", r.figures.plainForce(force(j.ClassLowerLimit)))
	}
	return s
}

func (r *Report) zeroText() string {
	if r.judged.ZeroReturns == 0 {
		return "none on record"
	}
	return fmt.Sprintf("%d, the largest departure %s of the highest force", r.judged.ZeroReturns, percents(r.judged.ZeroReturn))
}

// percents shows a percentage to four decimals, which is parts per million.
func percents(x float64) string { return percentNumber(x) + "\u00a0%" }

// percentNumber is percents without its sign; what rounds to nothing has no minus.
func percentNumber(x float64) string {
	s := fmt.Sprintf("%.4f", x)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// number shows a force in the shown unit, some digits finer than the division.
func (r *Report) number(newtons float64, finer int) string {
	u := r.figures.units.Force
	return u.Number(force(newtons), min(9, u.Decimals(r.figures.step)+finer))
}

// levels is the table of the forces that all runs have.
func (r *Report) levels() table {
	t := table{
		Heads:  []string{"force", "runs", "largest error", "repeatability", "q", "b before 2015", "b from 2015", "a", "verified"},
		Shares: []int{20, 10, 20, 20, 20, 20, 20, 20, 20}, Code: -1, Small: true,
	}
	for _, l := range r.judged.Levels {
		repeat, older, later := "–", "–", "–"
		if l.Runs > 1 {
			repeat, older, later = percentNumber(l.Repeatability), percentNumber(l.BOlder), percentNumber(l.BLater)
		}
		t.Rows = append(t.Rows, []string{
			r.number(l.Applied, 0), fmt.Sprint(l.Runs), percentNumber(l.MaxError), repeat, percentNumber(l.Q), older, later,
			r.resolutionText(l), yes(l.Verified),
		})
	}
	return t
}

func (r *Report) resolutionText(l verify.Level) string {
	if r.division == 0 {
		return "–"
	}
	return percentNumber(l.Resolution)
}

func yes(is bool) string {
	if is {
		return "yes"
	}
	return "no"
}

// readings is the table of all comparisons, run by run.
func (r *Report) readings() table {
	unit, small := r.figures.units.Force.String(), r.figures.smallUnit()
	t := table{
		Heads:  []string{"run", "applied, " + unit, "indicated, " + unit, "error, " + small.String(), "error, % of applied", "spread, " + small.String(), "taken, UTC"},
		Shares: []int{12, 26, 26, 22, 26, 22, 36}, Code: -1, Small: true,
	}
	for i, x := range r.judged.Rows {
		p := r.v.Points[i]
		percent, spread, taken := "zero return", "–", r.v.Clock.Wall(p.At).Format("2006-01-02\u00a015:04:05")
		if x.Applied != 0 {
			percent = percentNumber(x.Percent)
		} else if r.first(i) {
			percent = "zero before"
		}
		if p.Spread > 0 {
			spread = small.Number(p.Spread, 1)
		}
		t.Rows = append(t.Rows, []string{
			fmt.Sprint(x.Run), r.number(x.Applied, 1), r.number(x.Indicated, 1), small.Number(force(x.Error), 1), percent, spread, taken,
		})
	}
	return t
}

// first says that a row has no force of its run before it.
func (r *Report) first(i int) bool {
	run := r.judged.Rows[i].Run
	return !slices.ContainsFunc(r.judged.Rows[:i], func(x verify.Row) bool { return x.Run == run && x.Applied != 0 })
}

// means are the instruments and the program that recorded it.
func (r *Report) means(s Setup) []row {
	out := []row{{Label: "Bench", Text: r.v.Bench}}
	if s.Division > 0 {
		out = append(out, row{Label: "Load", Text: r.figures.loadMeans(s), Wide: true})
	} else {
		out = append(out, row{Label: "Instruments", Text: "not stated: what the bench was set to is not on record", Wide: true})
	}
	if run := r.v.Run; run.Version != "" {
		out = append(out,
			row{Label: "Program", Text: fmt.Sprintf("Thimbled %s, started %s (record %d)", plain(run.Version), dateTime(run.Reference.At), run.Reference.Number), Wide: true},
			row{Label: "Config", Text: "SHA-256 " + plain(run.ConfigDigest), Wide: true, Code: true})
	}
	out = append(out, row{Label: "Its record", Text: fmt.Sprintf("%d, SHA-256 %s", r.v.Verified.Reference.Number, r.Digest), Wide: true, Code: true})
	if r.v.Sealed == nil {
		out = append(out, row{Label: "Checkpoint", Text: "none on record over this verification", Wide: true})
	}
	return out
}

func reportCautions() []string {
	return []string{
		"Thimbled measures and records. It does not operate the bench and is no safety device.",
		"The applied forces are those that the reference showed, as a person entered them, and the indicated ones the mean of the stable readings beside them. " +
			"Only rising forces are judged.",
		"It tells of the instruments as they were on that day. Pulls are judged by it as long as it counts, for the same load cell, indicator, scale and calibration constant.",
		"Percent errors are of the applied force. q and b are those of ISO 7500-1, b by the editions before 2015 and from 2015 on; a is the relative resolution. " +
			"A class says what the figures are good for, not that everything the standard asks for was done.",
		"What identifies this paper is the SHA-256 of the record. A paper that does not agree with that record is wrong.",
	}
}
