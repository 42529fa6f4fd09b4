package search

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	// formulaStarts make a spreadsheet take a cell for a formula, with the wide
	// forms that some take for them too (OWASP, CSV Injection).
	formulaStarts = "=+-@\t\r＝＋－＠"
	// cellEnds end a cell where a spreadsheet takes another separator than the
	// comma, or splits a text at its line breaks.
	cellEnds = "\n\r\v\f\t;\u0085\u2028\u2029"
)

// guard puts an apostrophe before each place in a text at which a spreadsheet
// would find the start of a formula: where the text begins, and where a cell would
// begin inside it. Blanks and what cannot be seen in front hide nothing.
func guard(s string) string {
	var out strings.Builder
	begins := true
	for len(s) > 0 {
		if begins && startsFormula(s) {
			out.WriteByte('\'')
		}
		r, size := utf8.DecodeRuneInString(s)
		out.WriteString(s[:size])
		s, begins = s[size:], strings.ContainsRune(cellEnds, r)
	}
	return out.String()
}

func startsFormula(s string) bool {
	for _, r := range s {
		switch {
		case strings.ContainsRune(formulaStarts, r):
			return true
		case strings.ContainsRune(cellEnds, r) || !isBlank(r):
			return false
		}
	}
	return false
}

// isBlank says whether a character leaves no mark: a space of any kind, a control
// character, or a mark of format such as a zero-width space.
func isBlank(r rune) bool { return unicode.IsSpace(r) || unicode.In(r, unicode.Cc, unicode.Cf) }
