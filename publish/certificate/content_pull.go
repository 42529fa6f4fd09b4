package certificate

import (
	"fmt"
	"slices"
	"time"

	"thimbled/peak"
)

// pullPart is what the paper says of one pull.
type pullPart struct {
	Title   string
	Verdict string
	Reasons []string
	Because string // why it repeats an earlier pull; empty if it does not
	Rows    []row
	// Corrections are what it was judged anew as, after the figures above.
	Corrections []correctionPart
	Figure      *figure // nil when there is no curve
	NoCurve     string  // why there is none
	Tells       string  // what the figure shows, for people who cannot see it
}

// summary is the table of all pulls, planned ones that were not made too.
func (c *Certificate) summary() table {
	t := table{
		Heads:  []string{"Planned pull", "Pull", "Required", "Peak", "Held force", "Held", "Verdict"},
		Shares: []int{26, 8, 25, 34, 34, 19, 24}, Code: -1,
	}
	for i, p := range c.e.Test.Job.Planned {
		made := false
		for k, a := range c.e.Test.Attempts {
			if a.Planned == i {
				made = true
				t.Rows = append(t.Rows, c.summaryRow(plain(p.Label), a.Ended, c.verdictOf(k)))
				if x, ok := c.e.correctionOf(a.Ended.Pull); ok {
					t.Rows = append(t.Rows, c.summaryRow(fmt.Sprintf("corrected (record %d)", x.Reference.Number), x.New, verdictWord(x.New.Verdict)))
				}
			}
		}
		if !made {
			t.Rows = append(t.Rows, []string{plain(p.Label), "–", c.figures.force(p.Requirement.Required()), "–", "–", "–", "not made"})
		}
	}
	if !c.e.Budgeted { // older records say nothing of held forces
		const held = 4
		t.Heads, t.Shares = slices.Delete(t.Heads, held, held+1), []int{30, 8, 34, 34, 28, 36}
		for i := range t.Rows {
			t.Rows[i] = slices.Delete(t.Rows[i], held, held+1)
		}
	}
	return t
}

func (c *Certificate) summaryRow(name string, e peak.PullEnded, verdict string) []string {
	required, force, held := "–", "–", "–"
	if r := e.Requirement; r.Known {
		required, force, held = c.figures.force(r.Value.Required()), c.heldForce(e), c.heldFor(e)
	}
	return []string{name, fmt.Sprint(e.Pull), required, c.peakOf(e), force, held, verdict}
}

// heldFor is how long the required force was held, of how long it had to be.
func (c *Certificate) heldFor(e peak.PullEnded) string {
	if !e.Requirement.Known {
		return "never"
	}
	return lasted(e.Hold.For) + " of " + exactSeconds(e.Requirement.Value.Hold)
}

// verdictOf is the verdict of an attempt, and whether another one replaced it.
func (c *Certificate) verdictOf(k int) string {
	attempts := c.e.Test.Attempts
	word := verdictWord(attempts[k].Ended.Verdict)
	for _, later := range attempts[k+1:] {
		if later.Planned == attempts[k].Planned {
			return fmt.Sprintf("%s; repeated as pull %d", word, later.Ended.Pull)
		}
	}
	return word
}

func (c *Certificate) peakOf(e peak.PullEnded) string {
	if !e.Peak.Known {
		return "none confirmed"
	}
	return c.figures.measured(e.Peak.Value, expanded(e.PeakBudget), levelsOf(e)...)
}

// levelsOf are the forces that a force of the pull is compared with.
func levelsOf(e peak.PullEnded) []peak.Force {
	if !e.Requirement.Known {
		return nil
	}
	levels := []peak.Force{e.Requirement.Value.Required()}
	if h := e.Requirement.Value.Highest(); h.Known {
		levels = append(levels, h.Value)
	}
	return levels
}

func (c *Certificate) pullPart(k int, readings map[int64][]peak.Reading) pullPart {
	a := c.e.Test.Attempts[k]
	planned := c.e.Test.Job.Planned
	p := pullPart{
		Title:   fmt.Sprintf("Pull %d: %s", a.Ended.Pull, or(planned[a.Planned].Label, "no label")),
		Verdict: c.verdictOf(k), Because: plain(a.Why), Rows: c.pullRows(a.Ended),
		Corrections: c.corrections(a.Ended.Pull),
	}
	if len(planned) > 1 {
		p.Title += fmt.Sprintf(" (planned pull %d of %d)", a.Planned+1, len(planned))
	}
	if x, ok := c.e.correctionOf(a.Ended.Pull); ok {
		p.Verdict += "; corrected: " + verdictWord(x.New.Verdict)
	}
	for _, r := range a.Ended.Reasons {
		p.Reasons = append(p.Reasons, reasonText(r))
	}
	trace, traced := c.e.Traces[a.Ended.Pull]
	if !traced {
		p.NoCurve = "There is no curve: the journal has no trace of this pull."
		return p
	}
	p.Rows = append(p.Rows, row{Label: "Trace", Text: trace.Name + ", SHA-256 " + trace.SHA256, Wide: true, Code: true})
	if removed, gone := c.e.Removed[a.Ended.Pull]; gone {
		p.NoCurve = fmt.Sprintf("There is no curve: the trace was removed on %s (record %d); its digest stays on record.", dateTime(removed.At), removed.Number)
		return p
	}
	curve := newCurve(a.Ended, readings[a.Ended.Pull])
	if curve == nil {
		p.NoCurve = "There is no curve: the trace of this pull has no good reading."
		return p
	}
	p.Figure = curve.figure(c.figures)
	p.Tells = c.tells(a.Ended)
	return p
}

// tells says in words what the curve shows.
func (c *Certificate) tells(e peak.PullEnded) string {
	s := fmt.Sprintf("Force against time of pull %d: peak %s", e.Pull, c.peakOf(e))
	if e.Requirement.Known {
		s += fmt.Sprintf(", required %s, held for %s", c.figures.force(e.Requirement.Value.Required()), lasted(e.Hold.For))
	}
	return s + "."
}

func (c *Certificate) pullRows(e peak.PullEnded) []row {
	return slices.Concat(c.demandRows(e), c.loadRows(e), c.timeRows(e), c.zeroRows(e))
}

func (c *Certificate) demandRows(e peak.PullEnded) []row {
	if !e.Requirement.Known {
		return []row{{Label: "Required", Text: "nothing", Wide: true}}
	}
	r := e.Requirement.Value
	required, limit := c.figures.force(r.Required()), "none"
	if h := r.Highest(); h.Known {
		limit = c.figures.force(h.Value)
	}
	return []row{{Label: "Required", Text: required}, {Label: "Limit", Text: limit}}
}

func (c *Certificate) loadRows(e peak.PullEnded) []row {
	pressure := "not measured"
	if e.PressureAtPeak.Known {
		pressure = c.figures.pressure(e.PressureAtPeak.Value)
	}
	rows := []row{
		{Label: "Peak", Text: c.peakOf(e)},
		{Label: "Held force", Text: c.heldForce(e)},
		{Label: "Highest reading", Text: c.figures.force(e.Highest, levelsOf(e)...)},
		{Label: "Pressure at peak", Text: pressure},
		{Label: "Peak at", Text: notStated},
		{Label: "Force by pressure", Text: "not compared"},
	}
	if e.Peak.Known {
		rows[4].Text = c.clock(e.PeakAt)
	}
	if e.PressureRatio.Known {
		rows[5].Text = joined(e.PressureRatio.Value.String()) + " of pressure × area"
	}
	return rows
}

func (c *Certificate) timeRows(e peak.PullEnded) []row {
	during := "never"
	if e.Hold.From.Known && e.Hold.To.Known {
		during = c.clock(e.Hold.From.Value) + " to " + c.clock(e.Hold.To.Value)
	}
	ended := "not seen"
	if e.EndedAt.Known {
		ended = c.clock(e.EndedAt.Value)
	}
	return []row{
		{Label: "Held", Text: c.heldFor(e)},
		{Label: "Held from", Text: during},
		{Label: "Started", Text: c.e.Clock.Wall(e.StartedAt).Format("2006-01-02\u00a015:04:05.000")},
		{Label: "Ended", Text: ended},
	}
}

func (c *Certificate) zeroRows(e peak.PullEnded) []row {
	known := func(m peak.Maybe[peak.Force]) string {
		if !m.Known {
			return "not seen"
		}
		return c.figures.small(m.Value)
	}
	gap := "none"
	if e.LongestGap > 0 {
		gap = missed(e.LongestGap)
	}
	return []row{
		{Label: "Zero before", Text: known(e.ZeroBefore)},
		{Label: "Zero after", Text: known(e.ZeroAfter)},
		{Label: "Zero shift", Text: known(e.ZeroShift())},
		{Label: "Longest gap", Text: gap},
		{Label: "Zero taken off", Text: c.figures.small(e.Zero)},
		{Label: "Tare taken off", Text: c.figures.small(e.Tare)},
		{Label: "Indicator", Text: c.update(e)},
	}
}

// clock is a time of the test as a time of day.
func (c *Certificate) clock(at time.Duration) string { return dayTime(c.e.Clock.Wall(at)) }
