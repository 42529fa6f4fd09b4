package page

import (
	"bytes"
	"encoding/json"
	"net/http"
	"regexp"
	"strings"
	"testing"
)

// TestDocumentFetchesNothingElsewhere checks that all the document names is served from
// here, and that it has no script or style of its own.
func TestDocumentFetchesNothingElsewhere(t *testing.T) {
	d := newDouble(t, nil)
	w := d.request("GET", "/", "", nil)
	text := w.Body.String()
	if w.Code != 200 || w.Header().Get("Content-Type") != "text/html; charset=utf-8" || !strings.HasPrefix(text, "<!doctype html>") {
		t.Fatalf("%d %v", w.Code, w.Header())
	}
	for _, found := range regexp.MustCompile(`(?:src|href)="([^"#]+)"`).FindAllStringSubmatch(text, -1) {
		if got := d.request("GET", found[1], "", nil); got.Code != 200 || got.Body.Len() == 0 {
			t.Errorf("the document names %s, which gets %d", found[1], got.Code)
		}
	}
	for _, inline := range []string{`<style`, `style=`, `javascript:`, `http:`, `https:`, ` on[a-z]+=`, `<script(?: [^>]*)?>[^<]`, `<base`, `<iframe`} {
		if found := regexp.MustCompile(inline).FindString(text); found != "" {
			t.Errorf("the document has %q", found)
		}
	}
}

// TestScriptsMakeNoMarkupOfText checks that no script can turn a text into markup or code,
// and that each imports only what is served.
func TestScriptsMakeNoMarkupOfText(t *testing.T) {
	d := newDouble(t, nil)
	never := regexp.MustCompile(`innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|new Function|DOMParser|createContextualFragment|srcdoc|https?://`)
	for name, a := range d.assets {
		if a.contentType == "" {
			t.Errorf("%s has no content type", name)
		}
		if lines := bytes.Count(a.body, []byte("\n")); lines > 300 && name != document || lines > 450 {
			t.Errorf("%s has %d lines", name, lines)
		}
		if !strings.HasSuffix(name, ".js") {
			continue
		}
		text := strings.ReplaceAll(string(a.body), `"http://www.w3.org/2000/svg"`, "") // a name, not an address
		if found := never.FindString(text); found != "" {
			t.Errorf("%s has %q", name, found)
		}
		for _, imported := range regexp.MustCompile(`from "\./([^"]+)"`).FindAllStringSubmatch(text, -1) {
			if _, ok := d.assets[imported[1]]; !ok {
				t.Errorf("%s imports %s, which is not there", name, imported[1])
			}
		}
	}
}

// TestElementsOfScriptsExist checks that each element that a script looks up by its id is in
// the document.
func TestElementsOfScriptsExist(t *testing.T) {
	assets := newDouble(t, nil).assets
	found := 0
	for name, a := range assets {
		for _, id := range regexp.MustCompile(`byId\("([^"]+)"\)`).FindAllSubmatch(a.body, -1) {
			found++
			if !bytes.Contains(assets[document].body, []byte(`id="`+string(id[1])+`"`)) {
				t.Errorf("%s looks for #%s", name, id[1])
			}
		}
	}
	if found < 40 {
		t.Errorf("only %d look-ups were found", found)
	}
}

func TestAssetsAreAskedForAgain(t *testing.T) {
	d := newDouble(t, nil)
	first := d.request("GET", "/page/main.js", "", nil)
	tag := first.Header().Get("ETag")
	again := d.request("GET", "/page/main.js", "", func(r *http.Request) { r.Header.Set("If-None-Match", tag) })
	if first.Header().Get("Cache-Control") != "no-cache" || again.Code != http.StatusNotModified || again.Body.Len() != 0 {
		t.Errorf("%v, then %d", first.Header(), again.Code)
	}
	for _, path := range []string{"/page/nothing.js", "/page/..%2Fpage.go", "/page/", "/page/assets%2Fmain.js", "/index.html", "/page.go"} {
		if w := d.request("GET", path, "", nil); w.Code != 404 {
			t.Errorf("%s gets %d", path, w.Code)
		}
	}
}

func TestSetup(t *testing.T) {
	const want = `{"bench":"dock-3","force":{"unit":"kN","size":"1000","decimals":2},"pressure":{"unit":"bar","size":"100000","decimals":1},` +
		`"capacity_newtons":250000,"ranges":[],"age_limit_seconds":1,"recent_seconds":120}`
	w := newDouble(t, nil).request("GET", "/setup", "", nil)
	if w.Body.String() != want || !json.Valid(w.Body.Bytes()) {
		t.Errorf("setup is %s", w.Body)
	}
}

func TestPageNeedsItsSources(t *testing.T) {
	if _, err := New(Options{Listen: testHost}); err == nil {
		t.Error("a page without sources was made")
	}
}
