package certificate

import (
	"bytes"
	"cmp"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/image/font/sfnt"
)

// Every figure of the record is on the paper. What a page shows cannot be taken
// for that of another paper: each says what the paper is, which item and record it
// shows, and which of how many pages it is.
func TestPDFPages(t *testing.T) {
	t.Parallel()
	for test, want := range map[string]int{"j-101": 2, "j-102": 2, "j-103": 2, "j-104": 2, "j-105": 4, "j-106": 2, "j-107": 2} {
		c := paper(t, test)
		text := poppler(t, "pdftotext", "-layout", pdfOf(t, c), "-")
		checkFigures(t, c, strings.Join(strings.Fields(text), " "))
		pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
		if len(pages) != want {
			t.Errorf("%s has %d pages, want %d", test, len(pages), want)
		}
		for i, page := range pages {
			page = strings.Join(strings.Fields(page), " ")
			for _, says := range []string{c.Outcome.Title, c.Item[0].Text, "Record " + c.Number, c.Digest, fmt.Sprintf("page %d of %d", i+1, len(pages))} {
				if !strings.Contains(page, says) {
					t.Errorf("page %d of %s does not say %q", i+1, test, says)
				}
			}
		}
	}
}

func checkFigures(t *testing.T, c *Certificate, text string) {
	t.Helper()
	for _, figure := range figuresOf(t, c.e) {
		if !strings.Contains(text, figure) {
			t.Errorf("%s does not show %q", c.Number, figure)
		}
	}
	for _, says := range append([]string{c.Outcome.Status, c.Outcome.Title}, c.Outcome.Because...) {
		for word := range strings.FieldsSeq(says) { // a long sentence stands on two lines
			if !strings.Contains(text, word) {
				t.Errorf("%s does not say %q of %q", c.Number, word, says)
			}
		}
	}
}

func TestPDFSizesAndDates(t *testing.T) {
	t.Parallel()
	for size, says := range map[Paper]string{A4: "595.28 x 841.89 pts (A4)", Letter: "612 x 792 pts (letter)"} {
		c := paper(t, "j-101")
		c.Paper = size
		path := pdfOf(t, c)
		info := poppler(t, "pdfinfo", "-rawdates", path)
		for _, want := range []string{says, "Proof-test certificate: Item HL-0117, dock-3-7", "CreationDate:    D:20260302075947", "ModDate:         D:20260302075947"} {
			if !strings.Contains(info, want) {
				t.Errorf("%s: %q is not in\n%s", size, want, info)
			}
		}
		if fonts := poppler(t, "pdffonts", path); len(regexp.MustCompile(` yes (yes|no ) yes `).FindAllString(fonts, -1)) != 3 {
			t.Errorf("not every font is embedded, with its characters known:\n%s", fonts)
		}
	}
}

// pictures draws the pages of a PDF.
func pictures(t *testing.T, path string) [][]byte {
	t.Helper()
	root := filepath.Join(t.TempDir(), "page")
	poppler(t, "pdftoppm", "-r", "60", "-gray", path, root)
	paths, err := filepath.Glob(root + "*")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no pictures: %v", err)
	}
	var out [][]byte
	for _, p := range paths {
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, b)
	}
	return out
}

// The bytes of a PDF may differ from one time to the next; what is seen does not.
func TestPDFPagesAreTheSameEachTime(t *testing.T) {
	t.Parallel()
	want := pictures(t, pdfOf(t, paper(t, "j-105")))
	for range 2 {
		got := pictures(t, pdfOf(t, paper(t, "j-105")))
		if len(got) != len(want) {
			t.Fatalf("%d pages, then %d", len(want), len(got))
		}
		for i := range got {
			if !bytes.Equal(got[i], want[i]) {
				t.Errorf("page %d is not the same", i+1)
			}
		}
	}
	if other := pictures(t, pdfOf(t, paper(t, "j-101"))); bytes.Equal(other[0], want[0]) {
		t.Error("another paper has the same first page")
	}
}

// word is a word of a PDF with the box that it fills, in points.
type word struct {
	XMin float64 `xml:"xMin,attr"`
	YMin float64 `xml:"yMin,attr"`
	XMax float64 `xml:"xMax,attr"`
	YMax float64 `xml:"yMax,attr"`
	Text string  `xml:",chardata"`
}

type wordPage struct {
	Width  float64 `xml:"width,attr"`
	Height float64 `xml:"height,attr"`
	Words  []word  `xml:"word"`
}

func wordsOf(t *testing.T, path string) []wordPage {
	t.Helper()
	out := strings.NewReader(poppler(t, "pdftotext", "-bbox", path, "-"))
	d := xml.NewDecoder(out)
	d.Strict = false
	var pages []wordPage
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return pages
		}
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := token.(xml.StartElement); ok && s.Name.Local == "page" {
			var p wordPage
			if err := d.DecodeElement(&p, &s); err != nil {
				t.Fatal(err)
			}
			pages = append(pages, p)
		}
	}
}

// Whatever people write, and however much of it, stays inside the margins, does not
// lie on other text, and is all there.
func TestLongTextsWrap(t *testing.T) {
	t.Parallel()
	for size, text := range map[Paper]string{
		A4:     strings.Repeat("a rather long story ", 25) + strings.Repeat("Überlastsicherung", 20),
		Letter: strings.Repeat("WWW MMM ", 30) + strings.Repeat("ÄÖÜ", 90) + " end",
	} {
		c := hostileCertificate(t, text)
		c.Paper = size
		path := pdfOf(t, c)
		for i, p := range wordsOf(t, path) {
			checkInside(t, fmt.Sprintf("%s, page %d", size, i+1), p)
		}
		compact := strings.Join(strings.Fields(poppler(t, "pdftotext", "-raw", path, "-")), "")
		if n := strings.Count(compact, strings.ReplaceAll(text, " ", "")); n < 8 {
			t.Errorf("%s: the text is whole %d times", size, n)
		}
	}
}

func checkInside(t *testing.T, name string, p wordPage) {
	t.Helper()
	const margin, slack = marginSide / 25.4 * 72, 1.5
	slices.SortFunc(p.Words, func(a, b word) int { return cmp.Compare(a.YMin, b.YMin) })
	for i, w := range p.Words {
		if w.XMin < margin-slack || w.XMax > p.Width-margin+slack || w.YMin < 20 || w.YMax > p.Height-24 {
			t.Fatalf("%s: %q lies at %.0f to %.0f, %.0f to %.0f", name, w.Text, w.XMin, w.XMax, w.YMin, w.YMax)
		}
		for _, v := range p.Words[i+1:] {
			if v.YMin >= w.YMax {
				break
			}
			wide := min(w.XMax, v.XMax) - max(w.XMin, v.XMin)
			high := min(w.YMax, v.YMax) - max(w.YMin, v.YMin)
			if wide > 1 && high > 0.5*min(w.YMax-w.YMin, v.YMax-v.YMin) {
				t.Fatalf("%s: %q lies on %q", name, w.Text, v.Text)
			}
		}
	}
}

func TestPDFDropsControlCharacters(t *testing.T) {
	t.Parallel()
	c := hostileCertificate(t, "Ana\x00\x1b[2J\u202e\u2028 (\\) <b>&amp; 漢字 🔗 e\u0301")
	text := textOf(t, pdfOf(t, c))
	if !strings.Contains(text, `Ana[2J (\) <b>&amp; `+"\ufffd\ufffd \ufffd e\ufffd") {
		t.Errorf("the text is not whole: %s", text)
	}
	if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == '\u202e' }) {
		t.Error("a control character came through")
	}
	if !strings.Contains(text, "Where this paper shows \ufffd, the record has a sign that its fonts do not have.") {
		t.Error("the lost signs are not told of")
	}
	if c.draw(0).lacks != true || paper(t, "j-105").draw(0).lacks {
		t.Error("lost signs are told of where there are none, or not where there are")
	}
}

// Every sign that the paper can need is in each of its fonts.
func TestFontsHaveEverySign(t *testing.T) {
	t.Parallel()
	var fonts []*sfnt.Font
	for _, f := range faces {
		font, err := sfnt.Parse(f.ttf)
		if err != nil {
			t.Fatal(err)
		}
		fonts = append(fonts, font)
	}
	has := func(f *sfnt.Font, r rune) bool {
		var buf sfnt.Buffer
		i, err := f.GlyphIndex(&buf, r)
		return err == nil && i != 0
	}
	const needed = " \u00a0!\"#$%&'()*+,-./0123456789:;<=>?@ABCXYZ[\\]^_`abcxyz{|}~°±²³µ×÷·≤≥≈≠√∞–—−…“”‘’„‚«»•→½¼§€£ΩΔ₂" +
		"ÄÖÜäöüßéèêëçñøØåÅæÆœŒłŁńŃśŚźŹżŻčČěĚřŘšŠžŽđĐāēīūķļņģșȘțȚğĞıİőŐűŰðÐþÞЖдЯя\ufffd"
	for _, r := range needed + strings.Join(allTexts(reflect.ValueOf(paper(t, "j-105"))), "") {
		for i, f := range fonts {
			if !has(f, r) {
				t.Errorf("font %s has no %q", faces[i].face, r)
			}
		}
	}
	for r := rune(' '); r < 0x10000; r++ {
		if a := has(fonts[0], r); a != has(fonts[1], r) || a != has(fonts[2], r) {
			t.Errorf("not every font has %q", r)
		}
	}
}

// allTexts returns every text in a value.
func allTexts(v reflect.Value) []string {
	var out []string
	switch v.Kind() {
	case reflect.String:
		out = append(out, v.String())
	case reflect.Pointer:
		if !v.IsNil() {
			out = allTexts(v.Elem())
		}
	case reflect.Slice:
		for i := range v.Len() {
			out = append(out, allTexts(v.Index(i))...)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).Name != "e" { // the evidence is not printed
				out = append(out, allTexts(v.Field(i))...)
			}
		}
	}
	return out
}

func TestDrawable(t *testing.T) {
	for in, want := range map[string]string{
		"Łucja Nørgård": "Łucja Nørgård", "a\u2011b\u202fc\u2009d": "a-b\u00a0c\u00a0d", "漢 \U0001f517": "\ufffd \ufffd", "": "",
	} {
		got, whole := drawable(in)
		if got != want || whole != !strings.Contains(want, "\ufffd") {
			t.Errorf("%q becomes %q, whole: %v", in, got, whole)
		}
	}
}

// A long test fills pages, and its tables have their heads on each.
func TestManyPulls(t *testing.T) {
	t.Parallel()
	e := evidence(t, "j-105")
	one := e.Test.Attempts[0]
	all := traces(t, e)
	e.Test.Attempts, e.Test.Job.Planned = nil, e.Test.Job.Planned[:1]
	for i := range 40 {
		a := one
		a.Ended.Pull, a.Planned = int64(100+i), i
		e.Test.Attempts = append(e.Test.Attempts, a)
		e.Test.Job.Planned = append(e.Test.Job.Planned, e.Test.Job.Planned[0])
		e.Traces[a.Ended.Pull], all[a.Ended.Pull] = e.Traces[one.Ended.Pull], all[one.Ended.Pull]
	}
	e.Test.Job.Planned = e.Test.Job.Planned[:40]
	path := pdfOf(t, New(e, all, options()))
	for i, p := range wordsOf(t, path) {
		checkInside(t, "page "+strconv.Itoa(i+1), p)
	}
	text := textOf(t, path)
	if heads := strings.Count(text, "Planned pull Pull Required Peak Held Verdict"); heads != 2 {
		t.Errorf("the heads of the summary stand %d times", heads)
	}
	for i := range 40 {
		if !strings.Contains(text, fmt.Sprintf("Pull %d: end A (planned pull %d of 40) passed", 100+i, i+1)) {
			t.Errorf("pull %d is not there", 100+i)
		}
	}
	if last := regexp.MustCompile(`page (\d+) of (\d+)`).FindAllStringSubmatch(text, -1); len(last) < 20 || last[len(last)-1][1] != last[len(last)-1][2] {
		t.Errorf("pages %v", last)
	}
}
