package certificate

import (
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

// drawable replaces the signs that the fonts do not have, and says whether there
// were any. The three faces have the same signs.
func drawable(s string) (text string, whole bool) {
	var buf sfnt.Buffer
	out := []rune(s)
	whole = true
	for i, r := range out {
		switch r {
		case '\u2011': // a hyphen that keeps a word together
			out[i] = '-'
		case '\u2009', '\u202f': // narrow blanks
			out[i] = '\u00a0'
		default:
			if at, err := regularFace().GlyphIndex(&buf, r); err != nil || at == 0 {
				out[i], whole = absent, false
			}
		}
	}
	return string(out), whole
}
