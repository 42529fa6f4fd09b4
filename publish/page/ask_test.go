package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"thimbled/publish"
)

func TestAsk(t *testing.T) {
	d := newDouble(t, nil)
	for _, command := range commands {
		d.asked = nil
		w := d.request("POST", "/ask/"+command, `{"by":"A. Berg"}`, nil)
		if w.Code != http.StatusOK || w.Body.String() != `{"done":true}` || w.Header().Get("Content-Type") != "application/json" {
			t.Errorf("%s: %d %s", command, w.Code, w.Body)
		}
		if len(d.asked) != 1 || d.asked[0] != command+` {"by":"A. Berg"}` {
			t.Errorf("%s was asked as %q", command, d.asked)
		}
	}
}

func TestAskRefusesWhatIsNoRequest(t *testing.T) {
	d := newDouble(t, nil)
	for name, c := range map[string]struct {
		command, media, body string
		code                 int
	}{
		"an unknown command":     {"format-disk", "application/json", "{}", 404},
		"a form":                 {"zero", "application/x-www-form-urlencoded", "by=me", 415},
		"plain text":             {"zero", "text/plain", "{}", 415},
		"no type":                {"zero", "", "{}", 415},
		"a multipart form":       {"zero", "multipart/form-data; boundary=x", "{}", 415},
		"no JSON":                {"zero", "application/json", "by me", 400},
		"half a body":            {"zero", "application/json", `{"by":"me"`, 400},
		"an empty body":          {"zero", "application/json", "", 400},
		"one byte too many":      {"zero", "application/json", `"` + strings.Repeat("x", largestAsk-1) + `"`, 413},
		"a body without an end ": {"zero", "application/json", strings.Repeat("[", 1<<20), 413},
	} {
		w := d.request("POST", "/ask/"+c.command, c.body, func(r *http.Request) { r.Header.Set("Content-Type", c.media) })
		checkRefusal(t, name, w.Code, w.Body.Bytes(), c.code, "")
	}
	if len(d.asked) != 0 {
		t.Errorf("asked all the same: %q", d.asked)
	}
	largest := `"` + strings.Repeat("x", largestAsk-2) + `"`
	if w := d.request("POST", "/ask/zero", largest, func(r *http.Request) { r.Header.Set("Content-Type", "application/json; charset=utf-8") }); w.Code != 200 {
		t.Errorf("the largest body gets %d", w.Code)
	}
}

func checkRefusal(t *testing.T, name string, status int, body []byte, code int, why string) {
	t.Helper()
	var got struct {
		Error string
		Code  int
	}
	if err := json.Unmarshal(body, &got); err != nil {
		t.Errorf("%s: %v: %s", name, err, body)
	}
	if status != code || got.Code != code || got.Error == "" || !strings.Contains(got.Error, why) {
		t.Errorf("%s: status %d, %+v, want %d %q", name, status, got, code, why)
	}
}

func TestRefusalsAreSentences(t *testing.T) {
	d := newDouble(t, nil)
	for _, c := range []struct {
		err  error
		code int
		why  string
	}{
		{&publish.Refusal{Code: publish.Conflict, Why: "a pull is in hand; wait until it has ended"}, 409, "a pull is in hand; wait until it has ended"},
		{fmt.Errorf("ask: %w", &publish.Refusal{Code: publish.NotFound, Why: `there is no pull 7 <on> record`}), 404, "there is no pull 7 <on> record"},
		{&publish.Refusal{Code: 0, Why: "no code"}, 500, "no code"},
		{context.DeadlineExceeded, 504, "before you ask again"},
		{errors.New("the disk is gone"), 500, "the disk is gone"},
	} {
		d.answer = c.err
		w := d.request("POST", "/ask/zero", "{}", nil)
		checkRefusal(t, c.err.Error(), w.Code, w.Body.Bytes(), c.code, c.why)
		w = d.request("GET", "/certificate/j-1.pdf", "", nil)
		checkRefusal(t, "certificate: "+c.err.Error(), w.Code, w.Body.Bytes(), c.code, c.why)
	}
}

func TestCertificate(t *testing.T) {
	d := newDouble(t, nil)
	for path, want := range map[string]struct{ media, disposition, policy string }{
		"/certificate/j-1.pdf":          {"application/pdf", `attachment; filename=certificate-j-1.pdf`, policy},
		"/certificate/j-1.html":         {"text/html; charset=utf-8", `inline; filename=certificate-j-1.html`, paperPolicy},
		"/certificate/a%2F..%2F%22.pdf": {"application/pdf", `attachment; filename=certificate-a_..__.pdf`, policy},
	} {
		w := d.request("GET", path, "", nil)
		h := w.Header()
		if w.Code != 200 || h.Get("Content-Type") != want.media || h.Get("Content-Disposition") != want.disposition || h.Get("Content-Security-Policy") != want.policy {
			t.Errorf("%s: %d %v", path, w.Code, h)
		}
	}
	if w := d.request("GET", "/certificate/a%2F..%2F%22.pdf", "", nil); w.Body.String() != `paper of a/../"` {
		t.Errorf("the job is asked for as %q", w.Body)
	}
	for _, path := range []string{"/certificate/j-1", "/certificate/.pdf", "/certificate/j-1.exe", "/certificate/j-1.PDF"} {
		if w := d.request("GET", path, "", nil); w.Code != 404 {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	if w := d.request("GET", "/certificate/none.pdf", "", nil); w.Code != 500 || !strings.Contains(w.Body.String(), errNoPaper.Error()) {
		t.Errorf("without paper: %d %s", w.Code, w.Body)
	}
	if err := checkPaper("text/html", "application/pdf"); err == nil {
		t.Error("a certificate of another kind passes")
	}
}
