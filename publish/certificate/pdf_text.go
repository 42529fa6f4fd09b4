package certificate

import "strings"

// tint is a colour.
type tint struct{ r, g, b int }

var (
	dark  = tint{23, 33, 43}
	soft  = tint{77, 89, 101}
	faint = tint{185, 193, 200}
	deep  = tint{39, 64, 107}
)

// style is how a text looks; its size is in points.
type style struct {
	face face
	size float64
	tint tint
}

const point = 25.4 / 72

// lead is the distance of two lines.
func (t style) lead() float64 { return t.size * point * 1.36 }

func (s *sheet) use(t style) {
	s.pdf.SetFont(string(t.face), "", t.size)
	s.pdf.SetTextColor(t.tint.r, t.tint.g, t.tint.b)
}

// fit makes a text drawable and remembers if signs were lost.
func (s *sheet) fit(text string) string {
	text, whole := drawable(text)
	s.lacks = s.lacks || !whole
	return text
}

// text draws one line; y is that of its base line.
func (s *sheet) text(t style, x, y float64, text string) {
	s.use(t)
	s.pdf.Text(x, y, s.fit(text))
}

func (s *sheet) textRight(t style, right, y float64, text string) {
	s.text(t, right-s.measure(t, text), y, text)
}

func (s *sheet) measure(t style, text string) float64 {
	s.use(t)
	return s.pdf.GetStringWidth(s.fit(text))
}

// cut shortens a text to a width.
func (s *sheet) cut(t style, text string, wide float64) string {
	if s.measure(t, text) <= wide {
		return text
	}
	r := []rune(text)
	for len(r) > 0 && s.measure(t, string(r)+"…") > wide {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// wrap breaks a text into lines no wider than that: between words, and within a
// word that is wider alone.
func (s *sheet) wrap(t style, text string, wide float64) []string {
	var lines []string
	line, filled := "", 0.0
	blank := s.measure(t, " ")
	for word := range strings.SplitSeq(text, " ") { // other blanks hold together
		w := s.measure(t, word)
		if line != "" && filled+blank+w <= wide {
			line, filled = line+" "+word, filled+blank+w
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		if w > wide {
			var heads []string
			heads, word = s.breakWord(t, word, wide)
			lines = append(lines, heads...)
			w = s.measure(t, word)
		}
		line, filled = word, w
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}

// breakWord cuts a word into parts that are no wider than that, or of one sign;
// the last one may have room beside it.
func (s *sheet) breakWord(t style, word string, wide float64) (heads []string, last string) {
	begin, filled := 0, 0.0
	for i, r := range word {
		w := s.measure(t, string(r))
		if i > begin && filled+w > wide {
			heads = append(heads, word[begin:i])
			begin, filled = i, 0
		}
		filled += w
	}
	return heads, word[begin:]
}

// paragraph draws a text over the whole width from x on and moves below it.
func (s *sheet) paragraph(t style, x, wide float64, text string) {
	for _, line := range s.wrap(t, text, wide) {
		s.need(t.lead())
		s.y += t.lead()
		s.text(t, x, s.y-0.28*t.lead(), line)
	}
}

// rule draws a line over the width of the text.
func (s *sheet) rule(y, thick float64, t tint) {
	s.pdf.SetDrawColor(t.r, t.g, t.b)
	s.pdf.SetLineWidth(thick)
	s.pdf.Line(marginSide, y, s.wide-marginSide, y)
}
