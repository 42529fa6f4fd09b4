package certificate

import (
	"fmt"
	"strings"

	"thimbled/peak"
)

// correctionPart is what the paper says of a correction of a pull.
type correctionPart struct {
	Why     string
	Figures table // each figure as recorded and as corrected
}

// asRecorded stands above the curve of a pull that was corrected.
const asRecorded = "The curve and the figures below it are those recorded before the correction."

// AsRecorded says what the curve shows, if the pull was corrected.
func (p pullPart) AsRecorded() string {
	if len(p.Corrections) == 0 {
		return ""
	}
	return asRecorded
}

// correctionReasons say beside the outcome what was corrected, in a line for each pull.
func (c *Certificate) correctionReasons() []string {
	var out []string
	for _, a := range c.e.Test.Attempts {
		x, ok := c.e.correctionOf(a.Ended.Pull)
		if !ok {
			continue
		}
		out = append(out, fmt.Sprintf("Pull %d was corrected (record %d): peak %s, not %s; %s, not %s.", a.Ended.Pull, x.Reference.Number,
			c.peakOf(x.New), c.peakOf(a.Ended), c.resultOf(x.New), c.resultOf(a.Ended)))
	}
	return out
}

// resultOf is a verdict with its reasons.
func (c *Certificate) resultOf(e peak.PullEnded) string {
	s := verdictWord(e.Verdict)
	if len(e.Reasons) > 0 {
		s += " (" + reasonWords(e.Reasons) + ")"
	}
	return s
}

func reasonWords(reasons []peak.Reason) string {
	words := make([]string, len(reasons))
	for i, r := range reasons {
		words[i] = plain(string(r))
	}
	return strings.Join(words, ", ")
}

// corrections are those of a pull, the first one first.
func (c *Certificate) corrections(pull int64) []correctionPart {
	var out []correctionPart
	for _, x := range c.e.Corrections {
		if x.New.Pull != pull {
			continue
		}
		p := correctionPart{Why: fmt.Sprintf("Corrected on %s by %s (record %d), with the scale %s. Why: %s", dateTime(x.Reference.At),
			or(x.By, "a person not named"), x.Reference.Number, or(x.Scale, notStated), or(x.Why, notStated))}
		p.Figures = table{Heads: []string{"Figure", "Recorded before", "Corrected"}, Shares: []int{34, 68, 68}, Code: -1}
		before, now := c.correctedFigures(x.Old), c.correctedFigures(x.New)
		for i := range before {
			p.Figures.Rows = append(p.Figures.Rows, []string{before[i].Label, before[i].Text, now[i].Text})
		}
		out = append(out, p)
	}
	return out
}

func (c *Certificate) correctedFigures(e peak.PullEnded) []row {
	rows := []row{
		{Label: "Peak", Text: c.peakOf(e)},
		{Label: "Held force", Text: c.heldForce(e)},
		{Label: "Held", Text: c.heldFor(e)},
		{Label: "Highest reading", Text: c.figures.force(e.Highest, levelsOf(e)...)},
	}
	return append(append(rows, c.zeroRows(e)[:3]...), row{Label: "Verdict", Text: c.resultOf(e)})
}
