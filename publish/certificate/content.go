package certificate

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"thimbled/peak"
)

// Options say how a certificate is shown and by whom it is given.
type Options struct {
	Loft  Loft
	Setup Setup
	Units Units
	Paper Paper
}

// Loft is who gives the certificate. Any part may be empty.
type Loft struct {
	Name    string
	Address []string // lines
	Contact string   // such as telephone and e-mail
}

// Setup is what the bench's config says. It is printed only if it is on record that
// the test was made with it.
type Setup struct {
	Digest string // of the config; empty when there is none at hand
	// Recorded says that it was made of the parameters on record, whatever the config
	// says now.
	Recorded           bool
	Capacity, Division peak.Force
	Ranges             []peak.Range // the finest first; none when there is only one
	Serial             string       // of load cell and indicator
	LoadEvery          time.Duration
	PressureEvery      time.Duration // 0: the bench has no pressure transducer
}

// Paper is a size of paper.
type Paper string

// The sizes of paper.
const (
	A4     Paper = "A4"
	Letter Paper = "Letter"
)

// Certificate is a certificate, or a record that is none, ready to be printed: texts
// and curves, the same for each kind of paper.
type Certificate struct {
	Outcome outcome
	Loft    Loft
	Number  string // CloudEvents id of the test's record
	Digest  string
	Ended   string
	Paper   Paper

	Item, Requirement, Inspection, Means []row
	Verification, Checkpoint             []row // nil if there is none
	Uncertainty                          *uncertaintyPart
	Pulls                                []pullPart
	Summary, Records                     table
	Reasons                              []string
	Signers                              []signer
	SignersNote                          string
	Cautions                             []string

	made    time.Time // the time of the last record that counts
	figures figures
	ranges  []peak.Range // known to be those of the test
	e       *Evidence
}

// row is one named figure.
type row struct {
	Label, Text string
	Wide        bool // needs the whole width
	Code        bool // a digest or a name of a file
}

// table is a table with its column heads. Columns have the shares given of the
// whole width.
type table struct {
	Heads  []string
	Shares []int
	Code   int // the column with digests; -1 if there is none
	Small  bool
	Rows   [][]string
}

// signer is a person with a place for a signature.
type signer struct{ Role, Name string }

// New makes the certificate of a test. readings are the traces of its pulls by
// the pull's number, checked by their digest; a pull without one has no curve.
func New(e *Evidence, readings map[int64][]peak.Reading, o Options) *Certificate {
	setup := o.Setup
	if !setup.Recorded && !e.madeWith(setup.Digest) {
		setup = Setup{}
	}
	c := &Certificate{
		Outcome: outcomeOf(e), Loft: o.Loft.plain(), Paper: o.Paper, ranges: setup.Ranges,
		Number: fmt.Sprintf("%s-%d", e.Bench, e.Record.Number), Digest: e.Record.SHA256, Ended: dateTime(e.Record.At),
		Cautions: cautions(o.Units, e.Budgeted), made: e.Record.At, figures: newFigures(o.Units, setup.finest()), e: e,
	}
	if len(e.Inspections) > 0 {
		c.made = e.last().Reference.At
	}
	if n := len(e.Corrections); n > 0 && e.Corrections[n-1].Reference.At.After(c.made) {
		c.made = e.Corrections[n-1].Reference.At
	}
	c.Reasons = c.correctionReasons()
	for _, r := range e.Test.Reasons {
		c.Reasons = append(c.Reasons, reasonText(r))
	}
	c.Item, c.Requirement, c.Summary = c.item(), c.requirement(), c.summary()
	c.Inspection, c.Means, c.Records = c.inspection(), c.means(o.Setup, setup), c.records()
	c.Verification, c.Checkpoint, c.Uncertainty = c.verification(), c.checkpoint(), c.uncertainty()
	c.Signers, c.SignersNote = c.signers()
	for i := range e.Test.Attempts {
		c.Pulls = append(c.Pulls, c.pullPart(i, readings))
	}
	return c
}

// finest is the smallest division of all ranges; 0 if it is not known.
func (s Setup) finest() peak.Force {
	out := s.Division
	for _, r := range s.Ranges {
		out = min(out, r.Division)
	}
	return out
}

func (l Loft) plain() Loft {
	out := Loft{Name: plain(l.Name), Contact: plain(l.Contact)}
	for _, line := range l.Address {
		if line = plain(line); line != "" {
			out.Address = append(out.Address, line)
		}
	}
	return out
}

const notStated = "not stated"

func (c *Certificate) item() []row {
	j := c.e.Test.Job
	wll, length, legs := notStated, notStated, notStated
	if j.WLL.Known {
		wll = c.figures.wll(j.WLL.Value)
	}
	if j.Length.Known {
		length = c.figures.length(j.Length.Value)
	}
	if j.Legs > 0 {
		legs = fmt.Sprint(j.Legs)
	}
	return []row{
		{Label: "Item", Text: plain(j.Item)},
		{Label: "Kind", Text: or(j.Kind, notStated)},
		{Label: "Description", Text: or(j.Description, notStated), Wide: true},
		{Label: "WLL", Text: wll},
		{Label: "Length", Text: length},
		{Label: "Legs", Text: legs},
		{Label: "Owner", Text: or(j.Owner, notStated)},
		{Label: "Job", Text: plain(j.ID)},
		{Label: "Operator", Text: or(j.Operator, notStated)},
	}
}

func (c *Certificate) requirement() []row {
	j := c.e.Test.Job
	out := []row{
		{Label: "Rule", Text: or(j.Rule, "none; the operator's own demand")},
		{Label: "Planned pulls", Text: fmt.Sprint(len(j.Planned))},
		{Label: "Source", Text: or(j.Source, "none on record"), Wide: true},
	}
	var demands []peak.Requirement
	for _, p := range j.Planned {
		if !slices.Contains(demands, p.Requirement) {
			demands = append(demands, p.Requirement)
		}
	}
	for _, d := range demands {
		label := "Each pull"
		if len(demands) > 1 {
			label = labelsOf(j, d)
		}
		out = append(out, row{Label: label, Text: c.demand(d), Wide: true})
	}
	return append(out, c.decisionRows(demands)...)
}

// labelsOf names the planned pulls that have this requirement.
func labelsOf(j peak.Job, d peak.Requirement) string {
	var labels []string
	for _, p := range j.Planned {
		if p.Requirement == d {
			labels = append(labels, plain(p.Label))
		}
	}
	return strings.Join(labels, "; ")
}

// demand is a requirement as a sentence.
func (c *Certificate) demand(d peak.Requirement) string {
	s := "at least " + c.figures.force(d.Required())
	if d.Guard > 0 {
		s += fmt.Sprintf(", which is %s raised by a guard of %s", c.figures.force(d.Asked), joined(d.Guard.String()))
	}
	if d.Hold > 0 {
		s += ", held for " + exactSeconds(d.Hold)
	} else {
		s += ", without a time to hold"
	}
	if h := d.Highest(); h.Known {
		return s + "; never above " + c.figures.force(h.Value)
	}
	return s + "; no limit is set"
}

func (c *Certificate) inspection() []row {
	if len(c.e.Inspections) == 0 {
		return []row{{Label: "Inspection", Text: "none on record after the test", Wide: true}}
	}
	i := c.e.last()
	out := []row{
		{Label: "Inspector", Text: plain(i.Inspector)},
		{Label: "Finding", Text: findingWord(i.Accepted)},
		{Label: "Examined", Text: plain(i.Examined), Wide: true},
		{Label: "Notes", Text: or(i.Notes, "none"), Wide: true},
		{Label: "Recorded", Text: dateTime(i.Reference.At)},
		{Label: "Entered by", Text: or(i.By, notStated)},
	}
	for _, earlier := range c.e.Inspections[:len(c.e.Inspections)-1] {
		text := fmt.Sprintf("%s by %s, %s (record %d)", findingWord(earlier.Accepted), plain(earlier.Inspector), dateTime(earlier.Reference.At), earlier.Reference.Number)
		if notes := plain(earlier.Notes); notes != "" {
			text += ": " + notes
		}
		out = append(out, row{Label: "Replaced", Text: text, Wide: true})
	}
	return out
}

func findingWord(ok bool) string {
	if ok {
		return "accepted"
	}
	return "rejected"
}

func (c *Certificate) records() table {
	t := table{Heads: []string{"Record", "What", "When", "SHA-256 of the record's line"}, Shares: []int{13, 29, 40, 88}, Code: 3}
	for _, r := range c.e.Records {
		t.Rows = append(t.Rows, []string{fmt.Sprint(r.Number), recordWords[r.Type], dateTime(r.At), r.SHA256})
	}
	return t
}

func (c *Certificate) signers() ([]signer, string) {
	out := []signer{{"Operator", or(c.e.Test.Job.Operator, "")}}
	if len(c.e.Inspections) > 0 {
		out = append(out, signer{"Inspector", plain(c.e.last().Inspector)})
	} else {
		out = append(out, signer{"Inspector", "no inspection on record"})
	}
	if c.Outcome.Released {
		return out, "By signing, each person answers for what is recorded above under that name."
	}
	return out, "A signature here confirms the record alone. It does not release the item."
}

func cautions(u Units, budgeted bool) []string {
	out := []string{
		"Thimbled measures and records. It does not operate the bench and is no safety device.",
		"The verdict judges measured load and time, nothing else, and releases nothing. Local codes, the maker and a qualified person decide whether, how high and by whom an item may be proof loaded, and whether it goes into service.",
		"The test tells of the item as it was on that day. Damage, wear or repair afterwards ends what it tells.",
		"Forces are net of zero and tare and come from the load cell alone. The peak is the highest confirmed force: the median of three neighbouring readings. Figures are rounded for reading and times are UTC; the records hold them exactly.",
		"What identifies this paper is the SHA-256 of the record that ended the test. A paper that does not agree with that record is wrong.",
	}
	if budgeted {
		out = append(out, "± is the expanded uncertainty, k = 2, about 95 % (JCGM 100:2008), rounded up to two digits. Its parts are given as standard uncertainties: "+
			"the verification's largest error and spread, the reference, the resolution, what zero shifted, noise, and what can pass between two values of "+
			"the indicator. The held force is the highest that was held for the required time without a break.")
	}
	if isMass(u.Force) {
		out = append(out, "Units of mass stand for the weight of that mass at standard gravity, 9.80665 m/s².")
	}
	return out
}
