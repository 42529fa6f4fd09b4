package certificate

// placed is a row that has its column and its lines.
type placedRow struct {
	row
	x     float64
	lines []string
}

const labelWide = 28.0

// band is what stands beside each other: one wide row or up to two.
func (s *sheet) bands(rows []row) [][]placedRow {
	half := (s.width() - gutter) / 2
	var out [][]placedRow
	for _, r := range rows {
		p := placedRow{row: r, x: marginSide}
		wide := half
		last := len(out) - 1
		beside := last >= 0 && !r.Wide && len(out[last]) == 1 && !out[last][0].Wide
		if beside {
			p.x += half + gutter
		}
		if r.Wide {
			wide = s.width()
		}
		p.lines = s.wrap(p.style(), r.Text, wide-labelWide)
		if beside {
			out[last] = append(out[last], p)
		} else {
			out = append(out, []placedRow{p})
		}
	}
	return out
}

func (p placedRow) style() style {
	if p.Code {
		return code
	}
	return body
}

// bandHigh is how high a band is; labels may have more lines than texts.
func (s *sheet) bandHigh(band []placedRow) float64 {
	high := 0.0
	for _, p := range band {
		lines := max(len(p.lines), len(s.wrap(labels, p.Label, labelWide-2)))
		high = max(high, float64(lines)*body.lead())
	}
	return high + 0.5
}

func (s *sheet) rowsHigh(rows []row) float64 {
	high := 0.0
	for _, band := range s.bands(rows) {
		high += s.bandHigh(band)
	}
	return high
}

// rows draws named figures in two columns.
func (s *sheet) rows(rows []row) {
	for _, band := range s.bands(rows) {
		high := s.bandHigh(band)
		s.need(min(high, s.high-marginTop-marginBottom))
		for _, p := range band {
			s.placed(p)
		}
		s.y += high
	}
}

// placed draws a row at the height of the paper that it has come to.
func (s *sheet) placed(p placedRow) {
	for i, line := range s.wrap(labels, p.Label, labelWide-2) {
		s.text(labels, p.x, s.y+(float64(i)+0.74)*body.lead(), line)
	}
	for i, line := range p.lines {
		s.text(p.style(), p.x+labelWide, s.y+(float64(i)+0.74)*body.lead(), line)
	}
}

// table draws a table; its heads stand again on each page.
func (s *sheet) table(t table) {
	wides := t.wides(s.width())
	s.heads(t, wides)
	for _, cells := range t.Rows {
		var lines [][]string
		most := 1
		for i, cell := range cells {
			lines = append(lines, s.wrap(t.style(i), cell, wides[i]-2.5))
			most = max(most, len(lines[i]))
		}
		high := float64(most)*body.lead() + 0.9
		page := s.pdf.PageNo()
		s.need(high)
		if s.pdf.PageNo() != page {
			s.heads(t, wides)
		}
		x := marginSide
		for i := range cells {
			for k, line := range lines[i] {
				s.text(t.style(i), x, s.y+(float64(k)+0.8)*body.lead(), line)
			}
			x += wides[i]
		}
		s.y += high
		s.rule(s.y, 0.12, faint)
	}
}

func (s *sheet) heads(t table, wides []float64) {
	x := marginSide
	for i, h := range t.Heads {
		s.text(labels, x, s.y+0.8*body.lead(), h)
		x += wides[i]
	}
	s.y += body.lead() + 0.8
	s.rule(s.y, 0.2, faint)
}

func (t table) style(column int) style {
	if column == t.Code {
		return style{fixed, 6.2, dark}
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
