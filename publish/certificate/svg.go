package certificate

import (
	"fmt"
	"html/template"
	"strings"
)

// SVG draws the figure for a page of HTML, whose style sheet gives the inks their
// looks. It has no text but our own.
func (f *figure) SVG() template.HTML {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %v %v" aria-hidden="true">`, f.wide, f.high)
	for _, a := range f.areas {
		fmt.Fprintf(&b, `<rect class="%s" x="%v" y="%v" width="%v" height="%v"/>`, a.ink, a.at.x, a.at.y, a.wide, a.high)
	}
	for _, l := range f.lines {
		fmt.Fprintf(&b, `<polyline class="%s" points="`, l.ink)
		for i, d := range l.dots {
			if i > 0 {
				b.WriteByte(' ')
			}
			fmt.Fprintf(&b, "%v,%v", d.x, d.y)
		}
		b.WriteString(`"/>`)
	}
	for _, d := range f.ring {
		fmt.Fprintf(&b, `<circle class="%s" cx="%v" cy="%v" r="%v"/>`, inkPeak, d.x, d.y, ringRadius)
	}
	for _, l := range f.labels {
		fmt.Fprintf(&b, `<text class="%s" x="%v" y="%v">%s</text>`, l.side, l.at.x, l.at.y, template.HTMLEscapeString(l.text))
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}

// String writes a length in millimetres.
func (n mm) String() string {
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}
