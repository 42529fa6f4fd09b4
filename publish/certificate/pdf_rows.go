package certificate

// placedRow is a row that has its place across the paper and its lines.
type placedRow struct {
	x     float64
	style style
	names []string // the lines of the label
	lines []string
}

const labelWide = 28.0

// bands sorts rows into what stands beside each other: one wide row or up to two.
func (s *sheet) bands(rows []row) [][]placedRow {
	half := (s.width() - gutter) / 2
	var out [][]placedRow
	open := false // the last band has room beside its row
	for _, r := range rows {
		p := placedRow{x: marginSide, style: body, names: s.wrap(labels, r.Label, labelWide-2)}
		wide := half
		if r.Code {
			p.style = code
		}
		if r.Wide {
			wide = s.width()
		}
		beside := open && !r.Wide
		if beside {
			p.x += half + gutter
		}
		p.lines = s.wrap(p.style, r.Text, wide-labelWide)
		if beside {
			out[len(out)-1] = append(out[len(out)-1], p)
		} else {
			out = append(out, []placedRow{p})
		}
		open = !r.Wide && !beside
	}
	return out
}

const bandApart = 0.5

// bandLines is how many lines a band has; labels may have more than texts.
func bandLines(band []placedRow) int {
	lines := 0
	for _, p := range band {
		lines = max(lines, len(p.lines), len(p.names))
	}
	return lines
}

func (s *sheet) rowsHigh(rows []row) float64 {
	high := 0.0
	for _, band := range s.bands(rows) {
		high += float64(bandLines(band))*body.lead() + bandApart
	}
	return high
}

// rows draws named figures in two columns.
func (s *sheet) rows(rows []row) {
	for _, band := range s.bands(rows) {
		lines := bandLines(band)
		s.needWhole(float64(lines) * body.lead())
		for i := range lines {
			s.need(body.lead())
			for _, p := range band {
				s.lineOf(labels, p.x, 0.74, p.names, i)
				s.lineOf(p.style, p.x+labelWide, 0.74, p.lines, i)
			}
			s.y += body.lead()
		}
		s.y += bandApart
	}
}

// lineOf draws a line, if there is one of that number, so many parts of a line
// below where the paper has come to.
func (s *sheet) lineOf(t style, x, below float64, lines []string, i int) {
	if i < len(lines) {
		s.text(t, x, s.y+below*body.lead(), lines[i])
	}
}

// table draws a table; its heads stand again on each page.
func (s *sheet) table(t table) {
	wides := t.wides(s.width())
	s.heads(t, wides)
	for _, cells := range t.Rows {
		lines, most := s.cells(t, wides, cells)
		s.tableRow(t, wides, lines, most)
	}
}

// cells breaks the cells of a row into lines, and says how many the longest has.
func (s *sheet) cells(t table, wides []float64, cells []string) (lines [][]string, most int) {
	lines, most = make([][]string, len(cells)), 1
	for i, cell := range cells {
		lines[i] = s.wrap(t.style(i), cell, wides[i]-t.gap())
		most = max(most, len(lines[i]))
	}
	return lines, most
}

// tableHigh is how high a table is on one page.
func (s *sheet) tableHigh(t table) float64 {
	wides := t.wides(s.width())
	_, most := s.headCells(t, wides)
	high := float64(most)*body.lead() + 0.8
	for _, cells := range t.Rows {
		_, most := s.cells(t, wides, cells)
		high += float64(most)*body.lead() + 0.9
	}
	return high
}

func (s *sheet) tableRow(t table, wides []float64, lines [][]string, most int) {
	page := s.pdf.PageNo()
	headsAgain := func() {
		if s.pdf.PageNo() != page {
			page = s.pdf.PageNo()
			s.heads(t, wides)
		}
	}
	s.needWhole(float64(most)*body.lead() + 0.9)
	headsAgain()
	for k := range most {
		s.need(body.lead() + 0.9)
		headsAgain()
		x := marginSide
		for i := range lines {
			s.lineOf(t.style(i), x, 0.8, lines[i], k)
			x += wides[i]
		}
		s.y += body.lead()
	}
	s.y += 0.9
	s.rule(s.y, 0.12, faint)
}

func (s *sheet) heads(t table, wides []float64) {
	lines, most := s.headCells(t, wides)
	s.need(float64(most+1) * body.lead())
	for k := range most {
		x := marginSide
		for i := range lines {
			s.lineOf(t.headStyle(), x, 0.8, lines[i], k)
			x += wides[i]
		}
		s.y += body.lead()
	}
	s.y += 0.8
	s.rule(s.y, 0.2, faint)
}

func (s *sheet) headCells(t table, wides []float64) (lines [][]string, most int) {
	lines, most = make([][]string, len(t.Heads)), 1
	for i, h := range t.Heads {
		lines[i] = s.wrap(t.headStyle(), h, wides[i]-t.gap())
		most = max(most, len(lines[i]))
	}
	return lines, most
}

// gap is the room between two columns.
func (t table) gap() float64 {
	if t.Small {
		return 1.2
	}
	return 2.5
}

func (t table) headStyle() style {
	if t.Small {
		return style{regular, 7, soft}
	}
	return labels
}

func (t table) style(column int) style {
	switch {
	case column == t.Code:
		return style{fixed, 6.2, dark}
	case t.Small:
		return style{regular, 7.5, dark}
	}
	return style{regular, 8.5, dark}
}

// wides shares the width among the columns.
func (t table) wides(wide float64) []float64 {
	sum := 0
	for _, n := range t.Shares {
		sum += n
	}
	out := make([]float64, len(t.Shares))
	for i, n := range t.Shares {
		out[i] = wide * float64(n) / float64(sum)
	}
	return out
}
