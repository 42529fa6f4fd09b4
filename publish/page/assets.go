package page

import (
	"crypto/sha256"
	"embed"
	"fmt"
	"io/fs"
	"net/http"
	"path"
)

//go:embed assets
var embedded embed.FS

// asset is one file of the page.
type asset struct {
	body        []byte
	contentType string
	tag         string // changes with the body
}

const document = "index.html"

var contentTypes = map[string]string{
	".html": "text/html; charset=utf-8",
	".css":  "text/css; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".svg":  "image/svg+xml",
}

func loadAssets() (map[string]asset, error) {
	entries, err := fs.ReadDir(embedded, "assets")
	if err != nil {
		return nil, fmt.Errorf("read page's files: %w", err)
	}
	all := map[string]asset{}
	for _, entry := range entries {
		body, err := fs.ReadFile(embedded, "assets/"+entry.Name())
		if err != nil {
			return nil, fmt.Errorf("read page's files: %w", err)
		}
		all[entry.Name()] = asset{
			body: body, contentType: contentTypes[path.Ext(entry.Name())], tag: fmt.Sprintf(`"%x"`, sha256.Sum256(body)),
		}
	}
	return all, nil
}

// serveAsset serves the document or one of the files that it names. A browser
// asks each time whether it has changed, so that no page outlives its daemon.
func (p *Page) serveAsset(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	if name == "" {
		name = document
	}
	a, ok := p.assets[name]
	if !ok {
		refuse(w, http.StatusNotFound, "the page has no file of that name")
		return
	}
	send(w, r, a.body, a.contentType, a.tag)
}

// send answers with a body, or says that the one the browser has is right.
func send(w http.ResponseWriter, r *http.Request, body []byte, contentType, tag string) {
	h := w.Header()
	h.Set("Content-Type", contentType)
	if tag != "" {
		h.Set("Cache-Control", "no-cache")
		h.Set("ETag", tag)
		if r.Header.Get("If-None-Match") == tag {
			w.WriteHeader(http.StatusNotModified)
			return
		}
	}
	_, _ = w.Write(body) // the browser may be gone
}
