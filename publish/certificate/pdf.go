package certificate

import (
	"bytes"
	"fmt"
	"io"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

// PDF writes the certificate as PDF. The same evidence and options give the same
// pages; the bytes may differ, because the library subsets fonts in no fixed
// order.
func (c *Certificate) PDF(w io.Writer) error {
	if err := output(w, c.draw); err != nil {
		return fmt.Errorf("write certificate %s: %w", c.Number, err)
	}
	return nil
}

// output writes a paper that is drawn for so many pages; the number stands on each page,
// so it is drawn twice.
func output(w io.Writer, draw func(pages int) *sheet) error {
	var b bytes.Buffer
	if err := draw(draw(0).pdf.PageCount()).pdf.Output(&b); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

func (c *Certificate) draw(pages int) *sheet {
	s := newSheet(identity{
		title: c.Outcome.Title, subject: "Item " + c.Item[0].Text, number: c.Number, digest: c.Digest, size: c.Paper, made: c.made,
	}, pages)
	s.certificate(c)
	return s
}

// identity is what each page says of its paper.
type identity struct {
	title, subject string // of what it is, such as an item
	number, digest string // of the record
	size           Paper
	made           time.Time
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
	id         identity
}

// newSheet begins a paper with its first page.
func newSheet(id identity, pages int) *sheet {
	size := string(A4)
	if id.size == Letter {
		size = string(Letter)
	}
	pdf := fpdf.New("P", "mm", size, "")
	s := &sheet{pdf: pdf, pages: pages, id: id}
	s.wide, s.high = pdf.GetPageSize()
	for _, f := range faces {
		// The library writes into the font it is given.
		pdf.AddUTF8FontFromBytes(string(f.face), "", bytes.Clone(f.ttf))
	}
	pdf.SetMargins(0, 0, 0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(id.made)
	pdf.SetModificationDate(id.made)
	pdf.SetTitle(id.title+": "+id.subject+", "+id.number, true)
	pdf.SetCreator("Thimbled", true)
	pdf.SetLang("en")
	s.page()
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
		name := s.cut(style{regular, 8, soft}, s.id.subject, s.width()/2)
		s.text(style{bold, 8.5, dark}, marginSide, 14, s.id.title)
		s.textRight(style{regular, 8, soft}, right, 14, name)
		s.rule(16.2, 0.2, faint)
		s.y = marginTop
	}
	foot := s.high - 12
	s.rule(foot-4.2, 0.2, faint)
	s.text(style{regular, 7.5, soft}, marginSide, foot, "Record "+s.id.number)
	s.text(style{fixed, 6.2, soft}, marginSide+36, foot, "SHA-256 "+s.id.digest)
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
