package certificate

import (
	"strings"
	"sync"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// face is a font of the paper.
type face string

// The faces.
const (
	regular face = "regular"
	bold    face = "bold"
	fixed   face = "fixed"
)

var faces = []struct {
	face face
	ttf  []byte
}{{regular, goregular.TTF}, {bold, gobold.TTF}, {fixed, gomono.TTF}}

// absent stands for a sign that the fonts of the paper do not have.
const absent = '\ufffd'

var regularFace = sync.OnceValue(func() *sfnt.Font {
	f, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		panic("parse font: " + err.Error()) // it is compiled in
	}
	return f
})

// drawable replaces the signs that the fonts do not have, and says whether all
// were there. The three faces have the same signs.
func drawable(s string) (text string, whole bool) {
	var buf sfnt.Buffer
	whole = true
	return strings.Map(func(r rune) rune {
		switch {
		case ' ' <= r && r <= '~':
			return r
		case r == '\u2011': // a hyphen that keeps a word together
			return '-'
		case r == '\u2009', r == '\u202f': // narrow blanks
			return '\u00a0'
		}
		if at, err := regularFace().GlyphIndex(&buf, r); err != nil || at == 0 {
			whole = false
			return absent
		}
		return r
	}, s), whole
}
