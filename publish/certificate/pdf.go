package certificate

import (
	"bytes"
	"fmt"
	"io"

	"codeberg.org/go-pdf/fpdf"
)

// PDF writes the certificate as PDF. The same evidence and options give the same
// pages; the bytes may differ, because the library subsets fonts in no fixed
// order.
func (c *Certificate) PDF(w io.Writer) error {
	// The number of pages stands on each page, so they are drawn twice.
	first := c.draw(0)
	s := c.draw(first.pdf.PageCount())
	var b bytes.Buffer
	err := s.pdf.Output(&b)
	if err == nil {
		_, err = w.Write(b.Bytes())
	}
	if err != nil {
		return fmt.Errorf("write certificate %s: %w", c.Number, err)
	}
	return nil
}

// The measures of the paper, in millimetres.
const (
	marginSide   = 20.0
	marginTop    = 24.0
	marginBottom = 21.0
	gutter       = 7.0 // between two columns of rows
)

// sheet is the paper that is drawn on, from top to bottom.
type sheet struct {
	pdf        *fpdf.Fpdf
	wide, high float64
	y          float64 // where the next thing is drawn
	pages      int     // how many there will be; 0 if not known yet
	lacks      bool    // a sign had to be replaced
	c          *Certificate
}

func (c *Certificate) draw(pages int) *sheet {
	size := string(A4)
	if c.Paper == Letter {
		size = string(Letter)
	}
	pdf := fpdf.New("P", "mm", size, "")
	s := &sheet{pdf: pdf, pages: pages, c: c}
	s.wide, s.high = pdf.GetPageSize()
	for _, f := range faces {
		// The library writes into the font it is given.
		pdf.AddUTF8FontFromBytes(string(f.face), "", bytes.Clone(f.ttf))
	}
	pdf.SetMargins(0, 0, 0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(c.made)
	pdf.SetModificationDate(c.made)
	pdf.SetTitle(c.Outcome.Title+": "+c.Item[0].Text+", "+c.Number, true)
	pdf.SetCreator("Thimbled", true)
	pdf.SetLang("en")
	s.page()
	s.certificate()
	return s
}

// page begins a page: on all but the first one a line says at the top what the
// paper is, and at the foot of each stands which record it shows.
func (s *sheet) page() {
	s.pdf.AddPage()
	n := s.pdf.PageNo()
	right := s.wide - marginSide
	s.y = 17
	if n > 1 {
		name := s.cut(style{regular, 8, soft}, s.c.Item[0].Text, s.width()/2)
		s.text(style{bold, 8.5, dark}, marginSide, 14, s.c.Outcome.Title)
		s.textRight(style{regular, 8, soft}, right, 14, "Item "+name)
		s.rule(16.2, 0.2, faint)
		s.y = marginTop
	}
	foot := s.high - 12
	s.rule(foot-4.2, 0.2, faint)
	s.text(style{regular, 7.5, soft}, marginSide, foot, "Record "+s.c.Number)
	s.text(style{fixed, 6.2, soft}, marginSide+36, foot, "SHA-256 "+s.c.Digest)
	s.textRight(style{regular, 7.5, soft}, right, foot, fmt.Sprintf("page %d of %d", n, s.pages))
}

// need begins a new page unless there is room for so much.
func (s *sheet) need(high float64) {
	if s.y+high > s.high-marginBottom {
		s.page()
	}
}

// needWhole is need for what is not parted unless it is higher than a page.
func (s *sheet) needWhole(high float64) {
	if high <= s.high-marginTop-marginBottom-10 {
		s.need(high)
	}
}

func (s *sheet) width() float64 { return s.wide - 2*marginSide }
