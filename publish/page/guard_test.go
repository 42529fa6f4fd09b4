package page

import (
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"testing"
)

// routes are all that the page serves, as a GET or as a POST.
var routes = []string{
	"GET /", "GET /page/main.js", "GET /setup", "GET /live", "GET /curve", "GET /pulls", "GET /pulls/1/curve", "GET /certificate/j-1.pdf",
	"POST /ask/zero",
}

func TestOnlyKnownHosts(t *testing.T) {
	for _, c := range []struct {
		listen string
		good   []string
		bad    []string
	}{
		{"127.0.0.1:8040", []string{"127.0.0.1:8040", "localhost:8040", "[::1]:8040"},
			[]string{"127.0.0.1", "127.0.0.1:80", "localhost", "evil.example:8040", "evil.example", "127.0.0.1.evil.example:8040", "192.0.2.1:8040", "", "127.0.0.1:8040:1"}},
		{"bench-pc.example:8040", []string{"bench-pc.example:8040", "localhost:8040"}, []string{"bench-pc.example", "other.example:8040"}},
		{"192.0.2.7:80", []string{"192.0.2.7", "192.0.2.7:80", "localhost", "[::1]"}, []string{"192.0.2.8", "192.0.2.7:8040"}},
	} {
		d := newDouble(t, func(o *Options) { o.Listen = c.listen })
		for _, host := range c.good {
			if w := d.request("GET", "/setup", "", func(r *http.Request) { r.Host = host }); w.Code != http.StatusOK {
				t.Errorf("listening on %s, host %q gets %d", c.listen, host, w.Code)
			}
		}
		for _, host := range c.bad {
			for _, route := range routes {
				method, path, _ := strings.Cut(route, " ")
				w := d.request(method, path, "{}", func(r *http.Request) { r.Host = host })
				if w.Code != http.StatusMisdirectedRequest || strings.Contains(w.Body.String(), "dock-3") {
					t.Errorf("listening on %s, host %q gets %d from %s: %s", c.listen, host, w.Code, route, w.Body)
				}
			}
		}
		if len(d.asked) != 0 {
			t.Errorf("commands from unknown hosts were carried out: %q", d.asked)
		}
	}
}

// TestAddressOfTheConnection listens on all addresses: then the page is known by the one that a
// connection came in on, and by no name.
func TestAddressOfTheConnection(t *testing.T) {
	l := listen(t, "0.0.0.0:0")
	port := fmt.Sprint(l.Addr().(*net.TCPAddr).Port)
	d := newDouble(t, func(o *Options) { o.Listen = "0.0.0.0:" + port })
	d.serve(t, l)
	for host, want := range map[string]int{
		"127.0.0.1": 200, "localhost": 200, "127.0.0.2": 421, "evil.example": 421, "0.0.0.0": 421,
	} {
		r, _ := http.NewRequest("GET", "http://127.0.0.1:"+port+"/setup", nil)
		r.Host = host + ":" + port
		if got := status(t, r); got != want {
			t.Errorf("host %s gets %d, want %d", r.Host, got, want)
		}
	}
	// The whole of 127/8 is this machine.
	r, _ := http.NewRequest("GET", "http://127.0.0.2:"+port+"/setup", nil)
	if got := status(t, r); got != 200 {
		t.Errorf("the address of the connection gets %d", got)
	}
}

func status(t *testing.T, r *http.Request) int {
	t.Helper()
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	return answer.StatusCode
}

func TestListenMustNameAPort(t *testing.T) {
	for _, listen := range []string{"", "127.0.0.1", "127.0.0.1:", "127.0.0.1:0"} {
		if _, err := allowedHosts(Options{Listen: listen}); err == nil {
			t.Errorf("%q passes for an address", listen)
		}
	}
}

func TestCommandsOnlyFromThisPage(t *testing.T) {
	d := newDouble(t, nil)
	for name, change := range map[string]func(http.Header){
		"another origin":        func(h http.Header) { h.Set("Origin", "http://evil.example"); h.Del("Sec-Fetch-Site") },
		"another port":          func(h http.Header) { h.Set("Origin", "http://127.0.0.1:9999"); h.Del("Sec-Fetch-Site") },
		"no origin at all":      func(h http.Header) { h.Set("Origin", "null"); h.Del("Sec-Fetch-Site") },
		"fetched across sites":  func(h http.Header) { h.Set("Sec-Fetch-Site", "cross-site") },
		"fetched from the site": func(h http.Header) { h.Set("Sec-Fetch-Site", "same-site") },
	} {
		w := d.request("POST", "/ask/zero", "{}", func(r *http.Request) { change(r.Header) })
		if w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "another origin") {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
	}
	if len(d.asked) != 0 {
		t.Errorf("carried out all the same: %q", d.asked)
	}
	if w := d.request("POST", "/ask/zero", "{}", nil); w.Code != http.StatusOK || len(d.asked) != 1 {
		t.Errorf("this page's own command: %d, %q", w.Code, d.asked)
	}
}

// TestMethods checks that nothing but a POST changes anything.
func TestMethods(t *testing.T) {
	d := newDouble(t, nil)
	for _, route := range routes {
		right, path, _ := strings.Cut(route, " ")
		for _, method := range []string{"GET", "HEAD", "PUT", "PATCH", "DELETE", "POST", "OPTIONS"} {
			if method == right || method == "HEAD" && right == "GET" {
				continue
			}
			if w := d.request(method, path, "{}", nil); w.Code != http.StatusMethodNotAllowed {
				t.Errorf("%s %s gets %d", method, path, w.Code)
			}
		}
	}
	if len(d.asked) != 0 {
		t.Errorf("carried out: %q", d.asked)
	}
}

// TestPolicy checks the headers of every kind of answer, refusals too.
func TestPolicy(t *testing.T) {
	const want = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:"
	d := newDouble(t, nil)
	for _, route := range append(slices.Clone(routes), "GET /nothing", "PUT /setup", "GET /page/nothing.js") {
		method, path, _ := strings.Cut(route, " ")
		if path == "/live" {
			method = "HEAD"
		}
		h := d.request(method, path, "{}", nil).Header()
		if !strings.HasPrefix(h.Get("Content-Security-Policy"), want) && !strings.HasPrefix(path, "/certificate") {
			t.Errorf("%s has the policy %q", route, h.Get("Content-Security-Policy"))
		}
		for key, value := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer",
			"Cross-Origin-Resource-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
		} {
			if h.Get(key) != value {
				t.Errorf("%s has %s %q", route, key, h.Get(key))
			}
		}
		if c := h.Get("Cache-Control"); c != "no-store" && c != "no-cache" {
			t.Errorf("%s may be kept: %q", route, c)
		}
	}
}
