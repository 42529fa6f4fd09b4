package certificate

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"
)

//go:embed page.gohtml
var pageText string

//go:embed page.css
var styleText string

var page = template.Must(template.New("page").Parse(strings.Replace(pageText, "STYLE", styleText, 1)))

// policy lets the page use its own style and nothing else, so that whatever a
// text may smuggle in does nothing.
var policy = func() string {
	sum := sha256.Sum256([]byte(styleText))
	return "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}()

// HTML writes the certificate as one page that needs no other file. The same
// evidence and options give the same bytes.
func (c *Certificate) HTML(w io.Writer) error {
	var b bytes.Buffer
	err := page.Execute(&b, struct {
		*Certificate
		Policy string
	}{c, policy})
	if err == nil {
		_, err = w.Write(b.Bytes())
	}
	if err != nil {
		return fmt.Errorf("write certificate %s: %w", c.Number, err)
	}
	return nil
}
