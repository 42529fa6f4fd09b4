package page

import (
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"thimbled/publish"
)

// policy lets a browser run and fetch nothing but what comes from here, and
// no text from a person or an instrument become script.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// hosts are the values of the Host header that are answered.
type hosts struct {
	names []string
	port  string
	any   bool // listens on all addresses
	usual bool // the port is the scheme's own, which browsers leave out
}

// allowedHosts makes the list for a listening address, such as "127.0.0.1:8040"
// or ":8040".
func allowedHosts(o Options) (hosts, error) {
	listen := o.Listen
	host, port, err := net.SplitHostPort(listen)
	if err != nil || port == "" || port == "0" {
		return hosts{}, fmt.Errorf("the page is reached at %q, which is no host:port", listen)
	}
	h := hosts{port: port, usual: port == "80" && !o.Secure || port == "443" && o.Secure}
	address, err := netip.ParseAddr(host)
	h.any = host == "" || err == nil && address.IsUnspecified()
	names := append([]string{"localhost", "127.0.0.1", "::1"}, o.Hosts...)
	if !h.any {
		names = append(names, host)
	}
	for _, name := range names {
		h.names = append(h.names, net.JoinHostPort(name, port))
		if h.usual {
			h.names = append(h.names, bare(name))
		}
	}
	return h, nil
}

// bare is a host as it stands in a header without a port.
func bare(host string) string {
	if address, err := netip.ParseAddr(host); err == nil && address.Is6() {
		return "[" + host + "]"
	}
	return host
}

// allow says whether a request names a host that this page is known by. An
// address, unlike a name, cannot be pointed here from elsewhere.
func (h hosts) allow(r *http.Request) bool {
	if slices.Contains(h.names, strings.ToLower(r.Host)) {
		return true
	}
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !h.any || !ok {
		return false
	}
	address, err := netip.ParseAddrPort(local.String())
	if err != nil {
		return false
	}
	host := address.Addr().Unmap().WithZone("").String()
	return r.Host == net.JoinHostPort(host, h.port) || h.usual && r.Host == bare(host)
}

// guard answers only requests that come from this page or a person's browser
// that meant it, and keeps the browser strict.
func (p *Page) guard(next http.Handler) http.Handler {
	origins := http.NewCrossOriginProtection()
	origins.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		refuse(w, publish.Forbidden, "this request comes from a page of another origin: open the bench's own page")
	}))
	next = origins.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for key, value := range securityHeaders {
			w.Header().Set(key, value)
		}
		if !p.hosts.allow(r) {
			refuse(w, http.StatusMisdirectedRequest, "this bench is not known under that host name: use the address in its config")
			return
		}
		if p.foreign(r) {
			refuse(w, publish.Forbidden, "this request comes from a page of another origin: open the bench's own page")
			return
		}
		if r.Header.Get("Upgrade") != "" {
			refuse(w, publish.BadRequest, "a connection here speaks HTTP and nothing else")
			return
		}
		if writeWithin(w, answerWithin) != nil {
			return // the connection is gone
		}
		next.ServeHTTP(w, r)
	})
}

// foreign says that another page makes the request, even one that changes nothing:
// what it reads is not for that page. A person who follows a link is let in.
func (p *Page) foreign(r *http.Request) bool {
	scheme := "http://"
	if p.options.Secure {
		scheme = "https://"
	}
	if origin := r.Header.Get("Origin"); origin != "" && !strings.EqualFold(origin, scheme+r.Host) {
		return true
	}
	site := r.Header.Get("Sec-Fetch-Site")
	within := site == "" || site == "same-origin" || site == "none"
	followed := r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document"
	return !within && !followed
}

// answerWithin is how long a browser may take to fetch an answer.
const answerWithin = 10 * time.Second

// writeWithin bounds how long what is written from now on may take. A writer
// that has no deadlines of its own is left alone.
func writeWithin(w http.ResponseWriter, d time.Duration) error {
	err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(d))
	if errors.Is(err, http.ErrNotSupported) {
		return nil
	}
	return err
}

var securityHeaders = map[string]string{
	"Content-Security-Policy":      policy,
	"X-Content-Type-Options":       "nosniff",
	"X-Frame-Options":              "DENY",
	"Referrer-Policy":              "no-referrer",
	"Cross-Origin-Opener-Policy":   "same-origin",
	"Cross-Origin-Resource-Policy": "same-origin",
	"Permissions-Policy":           "camera=(), geolocation=(), microphone=(), usb=(), serial=()",
	"Cache-Control":                "no-store",
}
