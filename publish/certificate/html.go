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

//go:embed report.gohtml
var reportText string

// The pages. That of a report has the parts of that of a certificate.
var (
	page       = template.Must(template.New("page").Parse(strings.Replace(pageText, "STYLE", styleText, 1)))
	reportPage = template.Must(template.Must(page.Clone()).New("report").Parse(strings.Replace(reportText, "STYLE", styleText, 1)))
)

// policy lets the page use its own style and nothing else, so that whatever a
// text may smuggle in does nothing.
var policy = func() string {
	sum := sha256.Sum256([]byte(styleText))
	return "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}()

// HTML writes the certificate as one page that needs no other file. The same
// evidence and options give the same bytes.
func (c *Certificate) HTML(w io.Writer) error {
	if err := writePage(w, page, c); err != nil {
		return fmt.Errorf("write certificate %s: %w", c.Number, err)
	}
	return nil
}

// Policy is what the page is allowed.
func (*Certificate) Policy() string { return policy }

// Policy is what the page is allowed.
func (*Report) Policy() string { return policy }

// writePage writes a whole page or nothing.
func writePage(w io.Writer, t *template.Template, content any) error {
	var b bytes.Buffer
	if err := t.Execute(&b, content); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}
