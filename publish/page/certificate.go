package page

import (
	"context"
	"fmt"
	"mime"
	"net/http"
	"path"
	"strings"
	"time"
)

// paperWithin is how long a certificate may take to be made and fetched.
const paperWithin = 45 * time.Second

// paperTypes are the forms of a certificate by the end of its name.
var paperTypes = map[string]string{".pdf": "application/pdf", ".html": "text/html"}

// paperPolicy shows a certificate with the style it carries, and runs nothing.
const paperPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; frame-ancestors 'none'; sandbox"

// serveCertificate answers with a job's certificate, as its name ends.
func (p *Page) serveCertificate(w http.ResponseWriter, r *http.Request) {
	file := r.PathValue("file")
	ending := path.Ext(file)
	want, ok := paperTypes[ending]
	job := strings.TrimSuffix(file, ending)
	if !ok || job == "" {
		refuse(w, http.StatusNotFound, "a certificate is asked for by its job, with .pdf or .html behind it")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), paperWithin)
	defer cancel()
	select { // each is made in a process of its own
	case p.papers <- struct{}{}:
		defer func() { <-p.papers }()
	case <-ctx.Done():
		return
	}
	if writeWithin(w, paperWithin) != nil {
		return // the connection is gone
	}
	body, contentType, err := p.options.Certificate(ctx, job, ending[1:])
	if err == nil {
		err = checkPaper(contentType, want)
	}
	if err != nil {
		refuseFor(w, err)
		return
	}
	h := w.Header()
	h.Set("Content-Disposition", mime.FormatMediaType(disposition(ending), map[string]string{"filename": "certificate-" + plain(job) + ending}))
	if ending == ".html" {
		h.Set("Content-Security-Policy", paperPolicy)
	}
	send(w, r, body, contentType, "")
}

func checkPaper(contentType, want string) error {
	if media, _, err := mime.ParseMediaType(contentType); err != nil || media != want {
		return fmt.Errorf("the certificate is %q, not %s", contentType, want)
	}
	return nil
}

func disposition(ending string) string {
	if ending == ".pdf" {
		return "attachment"
	}
	return "inline"
}

// plain is a job's id as it may stand in the name of a file.
func plain(id string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', strings.ContainsRune("-_.", r):
			return r
		}
		return '_'
	}, id)
}
