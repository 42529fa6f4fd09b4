package page

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/publish"
)

// guardedDouble is a page with a user of each role, whose password is their name
// twice; checked counts the passwords that were looked at.
func guardedDouble(t *testing.T, secure bool) (d *double, checked *atomic.Int64) {
	t.Helper()
	checked = &atomic.Int64{}
	d = newDouble(t, func(o *Options) {
		o.Secure = secure
		o.SignIn = func(name, password string) (publish.User, bool) {
			checked.Add(1)
			role, err := publish.ParseRole(strings.TrimSuffix(name, "er"))
			return publish.User{Name: name, Role: role}, err == nil && password == name+name
		}
		o.Beside = map[string]http.Handler{"/metrics": http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Write([]byte("force of dock-3"))
		})}
	})
	return d, checked
}

func (d *double) signIn(name, password string, change func(*http.Request)) *httptest.ResponseRecorder {
	form := url.Values{"name": {name}, "password": {password}}.Encode()
	return d.request("POST", "/sign-in", form, func(r *http.Request) {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if change != nil {
			change(r)
		}
	})
}

// session signs in and returns the cookie that a browser would keep.
func (d *double) session(t *testing.T, name string) *http.Cookie {
	t.Helper()
	w := d.signIn(name, name+name, nil)
	cookies := w.Result().Cookies()
	if w.Code != http.StatusSeeOther || len(cookies) != 1 {
		t.Fatalf("signing in gets %d, %d cookies: %s", w.Code, len(cookies), w.Body)
	}
	return cookies[0]
}

func with(c *http.Cookie) func(*http.Request) { return func(r *http.Request) { r.AddCookie(c) } }

func TestNothingWithoutSigningIn(t *testing.T) {
	d, _ := guardedDouble(t, false)
	for _, route := range append(routes, "GET /metrics", "POST /sign-out", "GET /page/index.html", "GET /nothing") {
		method, path, _ := strings.Cut(route, " ")
		for name, change := range map[string]func(*http.Request){
			"nothing": nil, "a strange cookie": with(&http.Cookie{Name: "bench", Value: "strange"}), "an empty cookie": with(&http.Cookie{Name: "bench"}),
			"an upgrade": func(r *http.Request) { r.Header.Set("Connection", "Upgrade"); r.Header.Set("Upgrade", "websocket") },
		} {
			w := d.request(method, path, "{}", change)
			refused := w.Code == http.StatusUnauthorized || w.Code == http.StatusSeeOther && path == "/" || w.Code == http.StatusBadRequest && name == "an upgrade"
			if !refused || strings.Contains(w.Body.String(), "dock-3") {
				t.Errorf("%s with %s gets %d: %s", route, name, w.Code, w.Body)
			}
		}
	}
	if len(d.asked) != 0 {
		t.Errorf("carried out: %q", d.asked)
	}
}

func TestFormForStrangers(t *testing.T) {
	d, _ := guardedDouble(t, false)
	w := d.request("GET", "/sign-in", "", nil)
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `action="/sign-in"`) || strings.Contains(w.Body.String(), "<script") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if policy := w.Header().Get("Content-Security-Policy"); !strings.Contains(policy, "form-action 'self'") || strings.Contains(policy, "unsafe") {
		t.Errorf("policy %q", policy)
	}
	if got := w.Header().Get("Referrer-Policy"); got != "same-origin" {
		t.Errorf("referrer policy %q: a browser would send the form from nowhere", got)
	}
	for _, path := range formFiles {
		if w := d.request("GET", path, "", nil); w.Code != http.StatusOK {
			t.Errorf("%s gets %d", path, w.Code)
		}
	}
	w = d.signIn("<script>", "wrong", nil)
	if w.Code != http.StatusUnauthorized || strings.Contains(w.Body.String(), "<script") {
		t.Errorf("a wrong name gets %d %s", w.Code, w.Body)
	}
}

// TestCookie checks what keeps a session's cookie from scripts, other sites and
// open networks (RFC 6265bis).
func TestCookie(t *testing.T) {
	for _, secure := range []bool{false, true} {
		d, _ := guardedDouble(t, secure)
		scheme := map[bool]string{false: "http://", true: "https://"}[secure]
		w := d.signIn("viewer", "viewerviewer", func(r *http.Request) { r.Header.Set("Origin", scheme+testHost) })
		c := w.Result().Cookies()[0]
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure != secure || c.Path != "/" || c.Domain != "" {
			t.Errorf("TLS %t: %s", secure, c)
		}
		if len(c.Value) < 43 || strings.HasPrefix(c.Name, "__Host-") != secure { // 256 bits in base 64
			t.Errorf("TLS %t: %s", secure, c)
		}
	}
}

func TestRolesOnThePage(t *testing.T) {
	d, _ := guardedDouble(t, false)
	for _, role := range []publish.Role{publish.View, publish.Operate, publish.Administer} {
		c := d.session(t, role.String()+"er")
		if w := d.request("GET", "/setup", "", with(c)); w.Code != 200 || !strings.Contains(w.Body.String(), `"role":"`+role.String()+`"`) {
			t.Errorf("the setup for %s: %d %s", role, w.Code, w.Body)
		}
		for _, command := range commands {
			d.asked = nil
			w := d.request("POST", "/ask/"+command, "{}", with(c))
			allowed := publish.RoleFor(command) <= role
			if allowed != (w.Code == http.StatusOK) || allowed != (len(d.asked) == 1) || !allowed && w.Code != http.StatusForbidden {
				t.Errorf("%s of %s gets %d, carried out %q", command, role, w.Code, d.asked)
			}
		}
	}
}

// TestWhoAsks hands the signed-in user on, whatever the body says.
func TestWhoAsks(t *testing.T) {
	d, _ := guardedDouble(t, false)
	var got publish.User
	d.options.Ask = func(ctx context.Context, _ string, _ []byte) ([]byte, error) {
		got, _ = publish.UserOf(ctx)
		return []byte("{}"), nil
	}
	d.request("POST", "/ask/zero", `{"by":"somebody"}`, with(d.session(t, "operateer")))
	if got != (publish.User{Name: "operateer", Role: publish.Operate}) {
		t.Errorf("the daemon hears %+v", got)
	}
}

func TestSignOut(t *testing.T) {
	d, _ := guardedDouble(t, false)
	c := d.session(t, "viewer")
	if w := d.request("POST", "/sign-out", "", with(c)); w.Code != http.StatusNoContent || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("signing out gets %d", w.Code)
	}
	if w := d.request("GET", "/setup", "", with(c)); w.Code != http.StatusUnauthorized {
		t.Errorf("the session goes on: %d", w.Code)
	}
}

func TestSessionsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, _ := guardedDouble(t, false)
		status := func(c *http.Cookie) int { return d.request("GET", "/setup", "", with(c)).Code }
		idle := d.session(t, "viewer")
		time.Sleep(idleFor + time.Second)
		if got := status(idle); got != http.StatusUnauthorized {
			t.Errorf("an idle session gets %d", got)
		}
		used := d.session(t, "viewer")
		for range int(signedFor/idleFor) * 2 {
			if got := status(used); got != http.StatusOK {
				t.Fatalf("a session in use gets %d", got)
			}
			time.Sleep(idleFor/2 - time.Second/10)
		}
		time.Sleep(time.Minute)
		if got := status(used); got != http.StatusUnauthorized {
			t.Errorf("after a shift a session gets %d", got)
		}
	})
}

// TestStreamEndsWithItsSession signs out while a page is open.
func TestStreamEndsWithItsSession(t *testing.T) {
	d, _ := guardedDouble(t, false)
	c := d.session(t, "viewer")
	ended := make(chan struct{})
	go func() { d.request("GET", "/live", "", with(c)); close(ended) }()
	for open := 0; open == 0; time.Sleep(time.Millisecond) {
		d.mu.Lock()
		open = len(d.streams)
		d.mu.Unlock()
	}
	d.request("POST", "/sign-out", "", with(c))
	select {
	case <-ended:
	case <-time.After(5 * time.Second):
		t.Error("the stream goes on")
	}
}

func TestSessionsAreBounded(t *testing.T) {
	d, _ := guardedDouble(t, false)
	first := d.session(t, "viewer")
	for range mostSessions {
		d.sessions.open(publish.User{Name: "viewer", Role: publish.View})
	}
	if len(d.sessions.all) != mostSessions {
		t.Errorf("%d sessions are kept", len(d.sessions.all))
	}
	if w := d.request("GET", "/setup", "", with(first)); w.Code != http.StatusUnauthorized {
		t.Errorf("the oldest session gets %d", w.Code)
	}
}

// TestGuessing tries passwords from one address: after a few each must wait longer,
// the right one too; another address need not.
func TestGuessing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, checked := guardedDouble(t, false)
		tried, began := 0, time.Now()
		for time.Since(began) < time.Hour {
			if w := d.signIn("viewer", "guess", nil); w.Code == http.StatusTooManyRequests && w.Header().Get("Retry-After") == "" {
				t.Fatal("no word of how long to wait")
			}
			tried++
			time.Sleep(time.Second)
		}
		if n := checked.Load(); n < freeAttempts || n > 30 {
			t.Errorf("%d of %d guesses in an hour were looked at", n, tried)
		}
		if w := d.signIn("viewer", "viewerviewer", nil); w.Code != http.StatusTooManyRequests {
			t.Errorf("the right password in between gets %d", w.Code)
		}
		if w := d.signIn("viewer", "viewerviewer", func(r *http.Request) { r.RemoteAddr = "192.0.2.9:1" }); w.Code != http.StatusSeeOther {
			t.Errorf("from another address it gets %d", w.Code)
		}
		time.Sleep(longestWait)
		if w := d.signIn("viewer", "viewerviewer", nil); w.Code != http.StatusSeeOther {
			t.Errorf("the right password after the wait gets %d", w.Code)
		}
	})
}

func TestAddressesAreBounded(t *testing.T) {
	d, _ := guardedDouble(t, false)
	for i := range mostAddresses + 100 {
		d.signIn("viewer", "guess", func(r *http.Request) {
			r.RemoteAddr = "[2001:db8:" + strings.ToLower(string("0123456789abcdef"[i>>8&15])) + string("0123456789abcdef"[i>>4&15]) + string("0123456789abcdef"[i&15]) + ":" + string("0123456789abcdef"[i>>12&15]) + "::1]:1"
		})
	}
	if n := len(d.attempts.tried); n > mostAddresses {
		t.Errorf("%d addresses are remembered", n)
	}
	r := httptest.NewRequest("GET", "/", nil)
	r.RemoteAddr = "[2001:db8::1:2:3:4]:5"
	if got := addressOf(r).String(); got != "2001:db8::" {
		t.Errorf("an address of a network counts as %s", got)
	}
}

func TestBasicForMetricsOnly(t *testing.T) {
	d, checked := guardedDouble(t, false)
	basic := func(password string) func(*http.Request) {
		return func(r *http.Request) { r.SetBasicAuth("viewer", password) }
	}
	for range 3 {
		if w := d.request("GET", "/metrics", "", basic("viewerviewer")); w.Code != http.StatusOK {
			t.Errorf("metrics get %d", w.Code)
		}
	}
	if checked.Load() != 1 {
		t.Errorf("the password was hashed %d times", checked.Load())
	}
	if w := d.request("GET", "/metrics", "", basic("wrong")); w.Code != http.StatusUnauthorized || w.Header().Get("WWW-Authenticate") == "" {
		t.Errorf("a wrong password gets %d", w.Code)
	}
	if w := d.request("GET", "/setup", "", basic("viewerviewer")); w.Code != http.StatusUnauthorized {
		t.Errorf("the page gets %d", w.Code)
	}
}

// TestForeignPagesReadNothing asks as a page of another origin would: even what
// changes nothing is not answered. A link that a person follows is.
func TestForeignPagesReadNothing(t *testing.T) {
	d := newDouble(t, nil)
	for _, route := range routes {
		method, path, _ := strings.Cut(route, " ")
		for name, header := range map[string]http.Header{
			"origin":     {"Origin": {"http://evil.example"}},
			"null":       {"Origin": {"null"}},
			"scheme":     {"Origin": {"https://" + testHost}},
			"cross-site": {"Sec-Fetch-Site": {"cross-site"}, "Sec-Fetch-Mode": {"cors"}},
			"framed":     {"Sec-Fetch-Site": {"cross-site"}, "Sec-Fetch-Mode": {"navigate"}, "Sec-Fetch-Dest": {"iframe"}},
		} {
			w := d.request(method, path, "{}", func(r *http.Request) { r.Header = header.Clone(); r.Header.Set("Content-Type", "application/json") })
			if w.Code != http.StatusForbidden || strings.Contains(w.Body.String(), "dock-3") {
				t.Errorf("%s with %s gets %d: %s", route, name, w.Code, w.Body)
			}
		}
	}
	followed := http.Header{"Sec-Fetch-Site": {"cross-site"}, "Sec-Fetch-Mode": {"navigate"}, "Sec-Fetch-Dest": {"document"}}
	if w := d.request("GET", "/", "", func(r *http.Request) { r.Header = followed }); w.Code != http.StatusOK {
		t.Errorf("a followed link gets %d", w.Code)
	}
}

func TestOtherNamesOfTheBench(t *testing.T) {
	d := newDouble(t, func(o *Options) {
		o.Listen, o.Hosts, o.Secure = "192.0.2.7:443", []string{"dock-3.example"}, true
	})
	for host, want := range map[string]int{
		"dock-3.example": 200, "Dock-3.Example": 200, "dock-3.example:443": 200, "192.0.2.7": 200, "dock-4.example": 421, "dock-3.example:80": 421,
	} {
		if w := d.request("GET", "/setup", "", func(r *http.Request) { r.Host = host }); w.Code != want {
			t.Errorf("%s gets %d, want %d", host, w.Code, want)
		}
	}
}

func TestStreamsOfOneAddress(t *testing.T) {
	d := newDouble(t, nil)
	r := httptest.NewRequest("GET", "/live", nil)
	r.RemoteAddr = "192.0.2.9:1"
	for range mostStreamsFrom {
		if _, ok := d.join(addressOf(r)); !ok {
			t.Fatal("too few streams for one address")
		}
	}
	if _, ok := d.join(addressOf(r)); ok {
		t.Error("one address may have all streams")
	}
	r.RemoteAddr = "192.0.2.10:1"
	if _, ok := d.join(addressOf(r)); !ok {
		t.Error("another address gets none")
	}
}

// TestNamesNeverBecomePaths asks for certificates and files by names that lead
// elsewhere: a name is handed on as a name, and a file is one of the page's or none.
func TestNamesNeverBecomePaths(t *testing.T) {
	d := newDouble(t, nil)
	w := d.request("GET", "/certificate/..%2f..%2fetc%2fpasswd.pdf", "", nil)
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "paper of ../../etc/passwd") {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if got := w.Header().Get("Content-Disposition"); strings.ContainsAny(got, "/\\\r\n") {
		t.Errorf("the file would be saved as %s", got)
	}
	for _, path := range []string{"/page/..%2findex.html", "/page/..%2f..%2fguard.go", "/page/%2e%2e", "/page/signin.gohtml", "/pulls/..%2f1/curve", "/page/index.html%00.js"} {
		if w := d.request("GET", path, "", nil); w.Code != http.StatusNotFound && w.Code != http.StatusBadRequest {
			t.Errorf("%s gets %d: %.100s", path, w.Code, w.Body)
		}
	}
}
