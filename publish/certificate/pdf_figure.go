package certificate

import "codeberg.org/go-pdf/fpdf"

// pen is how an ink is drawn.
type pen struct {
	tint tint
	wide float64
	dash []float64
}

var pens = map[ink]pen{
	inkCurve:    {deep, 0.32, nil},
	inkAxis:     {soft, 0.18, nil},
	inkGrid:     {tint{225, 229, 233}, 0.15, nil},
	inkRequired: {dark, 0.25, []float64{2, 1}},
	inkLimit:    {dark, 0.25, []float64{3.2, 0.8, 0.5, 0.8}},
	inkLead:     {soft, 0.12, nil},
	inkHold:     {tint: tint{227, 232, 238}},
	inkGap:      {tint: tint{201, 206, 212}},
	inkPeak:     {dark, 0.25, nil},
	inkRun:      {soft, 0.15, nil},
	inkMark:     {deep, 0.3, nil},
}

// scaled is how large a figure's hundredth of a millimetre is on this paper.
func (s *sheet) scaled(f *figure) float64 { return s.width() / float64(f.wide) }

func (s *sheet) figureHigh(f *figure) float64 { return float64(f.high)*s.scaled(f) + 2 }

// figure draws a figure over the width of the text.
func (s *sheet) figure(f *figure) {
	s.need(s.figureHigh(f))
	k, top := s.scaled(f), s.y
	at := func(d dot) fpdf.PointType {
		return fpdf.PointType{X: marginSide + float64(float64(d.x)*k), Y: top + float64(float64(d.y)*k)}
	}
	for _, a := range f.areas {
		t := pens[a.ink].tint
		s.pdf.SetFillColor(t.r, t.g, t.b)
		p := at(a.at)
		s.pdf.Rect(p.X, p.Y, float64(a.wide)*k, float64(a.high)*k, "F")
	}
	for _, l := range f.lines {
		s.line(l, at)
	}
	for _, d := range f.ring {
		s.stroke(inkPeak)
		s.pdf.SetFillColor(255, 255, 255)
		p := at(d)
		s.pdf.Circle(p.X, p.Y, float64(ringRadius)*k, "FD")
	}
	t := style{regular, 7.6, dark}
	for _, l := range f.labels {
		p := at(l.at)
		wide := s.measure(t, l.text)
		s.text(t, p.X-wide*map[side]float64{start: 0, middle: 0.5, end: 1}[l.side], p.Y, l.text)
	}
	s.y = top + s.figureHigh(f)
}

func (s *sheet) stroke(i ink) {
	p := pens[i]
	s.pdf.SetDrawColor(p.tint.r, p.tint.g, p.tint.b)
	s.pdf.SetLineWidth(p.wide)
}

func (s *sheet) line(l line, at func(dot) fpdf.PointType) {
	s.stroke(l.ink)
	if dash := pens[l.ink].dash; dash != nil {
		s.pdf.SetDashPattern(dash, 0)
		defer s.pdf.SetDashPattern(nil, 0)
	}
	s.pdf.SetLineJoinStyle("round")
	for i, d := range l.dots {
		p := at(d)
		if i == 0 {
			s.pdf.MoveTo(p.X, p.Y)
		} else {
			s.pdf.LineTo(p.X, p.Y)
		}
	}
	s.pdf.DrawPath("D")
}
