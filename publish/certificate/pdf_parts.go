package certificate

import (
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

var (
	body    = style{regular, 9, dark}
	labels  = style{regular, 8.5, soft}
	code    = style{fixed, 6.6, dark}
	small   = style{regular, 8, soft}
	heading = style{bold, 10, dark}
)

// certificate draws the whole paper.
func (s *sheet) certificate(c *Certificate) {
	s.letterhead(c.Loft, "Test ended "+c.Ended)
	s.outcome(c.Outcome, c.Reasons)
	s.section("Item", 16)
	s.rows(c.Item)
	s.section("Requirement", 16)
	s.rows(c.Requirement)
	s.section("Pulls", 20)
	s.table(c.Summary)
	s.section("Inspection", 16)
	s.rows(c.Inspection)
	s.signatures(c.SignersNote, c.Signers)
	early := s.y+s.cautionsHigh(c.Cautions) <= s.high-marginBottom
	if early {
		s.cautions(c.Cautions)
	}
	s.page()
	for i, p := range c.Pulls {
		if i > 0 {
			s.y += 5
		}
		s.pull(p)
	}
	s.trust(c)
	s.section("Instruments and program", 24)
	s.rows(c.Means)
	s.section("Records", 24)
	s.table(c.Records)
	if c.Checkpoint != nil {
		s.section("Signed checkpoint", 24)
		s.rows(c.Checkpoint)
	}
	if !early {
		s.cautions(c.Cautions)
	}
	s.lost()
}

// lost tells of signs that had to be replaced.
func (s *sheet) lost() {
	if s.lacks {
		s.y += 3
		s.item(small, "Where this paper shows "+string(absent)+", the record has a sign that its fonts do not have.")
	}
}

// trust draws what the forces rest on.
func (s *sheet) trust(c *Certificate) {
	if u := c.Uncertainty; u != nil {
		s.section(u.Title, 24)
		if len(u.Budgets.Rows) > 0 {
			s.table(u.Budgets)
			s.y += 1
		}
		s.rows(u.Rows)
	}
	if c.Verification != nil {
		s.section("Verification of the force readings", 24)
		s.rows(c.Verification)
	}
}

func (s *sheet) cautionsHigh(cautions []string) float64 {
	high := sectionGap + heading.lead() + 1.3
	for _, text := range cautions {
		high += s.itemHigh(small, text)
	}
	return high
}

func (s *sheet) cautions(cautions []string) {
	s.section("What this paper says, and what not", 30)
	for _, text := range cautions {
		s.item(small, text)
	}
}

// letterhead names the loft, and the record that the paper shows.
func (s *sheet) letterhead(l Loft, when string) {
	right := s.wide - marginSide
	left := s.width() * 0.6
	top := s.y
	s.textRight(small, right, top, "Record "+s.id.number)
	s.textRight(small, right, top+small.lead(), when)
	s.y = top - 4.6
	if l.Name != "" {
		s.paragraph(style{bold, 13, dark}, marginSide, left, l.Name)
		s.y += 0.6
	}
	for _, line := range l.Address {
		s.paragraph(small, marginSide, left, line)
	}
	if l.Contact != "" {
		s.paragraph(small, marginSide, left, l.Contact)
	}
	s.y = max(s.y, top+small.lead()) + 2.4
	s.rule(s.y, 0.2, faint)
	s.y += 4
	s.paragraph(style{bold, 20, dark}, marginSide, s.width(), s.id.title)
	s.y += 2
}

// outcome draws the frame that says in large words what came of the test. Only a
// certificate has a plain edge; anything else has a striped one.
func (s *sheet) outcome(o outcome, reasons []string) {
	status := style{bold, 13, deep}
	if !o.Released {
		status = style{bold, 16, dark}
	}
	const edge, pad = 5.0, 3.4
	x, wide := marginSide+edge+4, s.width()-edge-8
	because := strings.Join(o.Because, " ")
	high := 2*pad + status.lead()*float64(len(s.wrap(status, o.Status, wide))) + 1 + body.lead()*float64(len(s.wrap(body, because, wide)))
	for _, r := range reasons {
		high += body.lead() * float64(len(s.wrap(body, r, wide-3.5)))
	}
	s.need(high)
	s.frame(s.y, high, edge, o.Released)
	bottom := s.y + high
	s.y += pad
	s.paragraph(status, x, wide, o.Status)
	s.y++
	s.paragraph(body, x, wide, because)
	for _, r := range reasons {
		s.bullet(body, x)
		s.paragraph(body, x+3.5, wide-3.5, r)
	}
	s.y = bottom + 1
}

func (s *sheet) frame(y, high, edge float64, released bool) {
	ink, thick := deep, 0.3
	if !released {
		ink, thick = dark, 0.7
	}
	s.pdf.SetDrawColor(ink.r, ink.g, ink.b)
	s.pdf.SetFillColor(ink.r, ink.g, ink.b)
	if released {
		s.pdf.Rect(marginSide, y, edge, high, "F")
	} else {
		s.pdf.ClipRect(marginSide, y, edge, high, false)
		const apart, band = 3.6, 1.8
		for d := -edge; d < high; d += apart {
			s.pdf.Polygon([]fpdf.PointType{
				{X: marginSide, Y: y + d + edge}, {X: marginSide + edge, Y: y + d}, {X: marginSide + edge, Y: y + d + band}, {X: marginSide, Y: y + d + edge + band},
			}, "F")
		}
		s.pdf.ClipEnd()
	}
	s.pdf.SetLineWidth(thick)
	s.pdf.Rect(marginSide, y, s.width(), high, "D")
}

const sectionGap = 4.2

// section begins a part of the paper, where there is room for its heading and so
// much below it.
func (s *sheet) section(title string, high float64) {
	s.y += sectionGap
	s.need(high)
	s.y += heading.lead()
	s.text(heading, marginSide, s.y-1.5, title)
	s.rule(s.y, 0.25, dark)
	s.y += 1.3
}

// item is a paragraph with a mark before it.
func (s *sheet) item(t style, text string) {
	s.need(s.itemHigh(t, text))
	s.bullet(t, marginSide)
	s.paragraph(t, marginSide+4, s.width()-4, text)
	s.y += 0.6
}

func (s *sheet) itemHigh(t style, text string) float64 {
	return t.lead()*float64(len(s.wrap(t, text, s.width()-4))) + 0.6
}

func (s *sheet) bullet(t style, x float64) {
	s.text(t, x, s.y+0.72*t.lead(), "–")
}

// signatures leaves room for people to sign.
func (s *sheet) signatures(note string, signers []signer) {
	const room = 17.0
	s.section("Signatures", room+15)
	s.paragraph(small, marginSide, s.width(), note)
	wide := (s.width() - 2*gutter) / 2
	line := s.y + room
	for i, p := range signers {
		x := marginSide + float64(i)*(wide+2*gutter)
		s.pdf.SetDrawColor(dark.r, dark.g, dark.b)
		s.pdf.SetLineWidth(0.25)
		s.pdf.Line(x, line, x+wide-26, line)
		s.pdf.Line(x+wide-22, line, x+wide, line)
		s.y = line + 0.8
		s.text(small, x+wide-22, s.y+0.72*small.lead(), "Date")
		s.text(small, x, s.y+0.72*small.lead(), s.cut(small, p.Role+": "+p.Name, wide-26))
	}
	s.y += small.lead()
}

// pull draws one pull with its curve; it is not parted unless it is longer than a
// page.
func (s *sheet) pull(p pullPart) {
	verdict := style{bold, 10, dark}
	title := s.wrap(heading, p.Title, s.width()-s.measure(verdict, p.Verdict)-6)
	s.needWhole(heading.lead()*float64(len(title)) + s.pullHigh(p))
	s.need(heading.lead() * float64(min(len(title), 3)))
	s.textRight(verdict, s.wide-marginSide, s.y+heading.lead()-1.5, p.Verdict)
	for _, line := range title {
		s.need(heading.lead())
		s.y += heading.lead()
		s.text(heading, marginSide, s.y-1.5, line)
	}
	s.rule(s.y, 0.25, dark)
	s.y += 1.3
	if p.Because != "" {
		s.paragraph(body, marginSide, s.width(), because(p))
	}
	for _, x := range p.Corrections {
		s.correction(x)
	}
	if len(p.Corrections) > 0 {
		s.paragraph(body, marginSide, s.width(), asRecorded)
	}
	if p.Figure != nil {
		s.figure(p.Figure)
	} else {
		s.paragraph(body, marginSide, s.width(), p.NoCurve)
	}
	for _, r := range p.Reasons {
		s.item(body, r)
	}
	s.rows(p.Rows)
}

// correction draws what a pull was judged anew as, between two heavy lines.
func (s *sheet) correction(x correctionPart) {
	s.y += 0.8
	s.paragraph(style{bold, 9, dark}, marginSide, s.width(), x.Why)
	s.table(x.Figures)
	s.rule(s.y, 0.5, dark)
	s.y += 1.2
}

func (s *sheet) correctionHigh(x correctionPart) float64 {
	t := style{bold, 9, dark}
	return 2 + t.lead()*float64(len(s.wrap(t, x.Why, s.width()))) + s.tableHigh(x.Figures)
}

func because(p pullPart) string { return "Made again because: " + p.Because }

// pullHigh is how high a pull is below its title.
func (s *sheet) pullHigh(p pullPart) float64 {
	high := 1.3 + body.lead() + s.rowsHigh(p.Rows)
	if p.Because != "" {
		high += body.lead() * float64(len(s.wrap(body, because(p), s.width())))
	}
	if p.Figure != nil {
		high += s.figureHigh(p.Figure) - body.lead()
	}
	for _, r := range p.Reasons {
		high += s.itemHigh(body, r)
	}
	for _, x := range p.Corrections {
		high += s.correctionHigh(x) + body.lead()
	}
	return high
}
