package page

import (
	"bytes"
	"context"
	_ "embed" // of the form
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"time"

	"thimbled/publish"
)

//go:embed signin.gohtml
var signInText string

var signInForm = template.Must(template.New("sign-in").Parse(signInText))

// signInPolicy is that of the form, which is the one thing sent as a form.
const signInPolicy = "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

const (
	largestForm = 4 << 10
	// hashWithin is how long a password waits for its turn to be checked. One is at a
	// time, so that those who try many leave a processor for the readings.
	hashWithin = 5 * time.Second
)

// formFiles are what the form needs, and so all that is served to strangers.
var formFiles = []string{"/page/colours.css", "/page/page.css", "/page/icon.svg"}

// signed answers only those who have signed in, and tells the handler who they
// are. Where nobody signs in it answers all.
func (p *Page) signed(next http.Handler) http.Handler {
	if p.options.SignIn == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/sign-in" || slices.Contains(formFiles, r.URL.Path) {
			next.ServeHTTP(w, r)
			return
		}
		if one := p.sessions.enter(p.tokenOf(r)); one != nil {
			defer p.sessions.leave(one)
			ctx, cancel := context.WithCancel(publish.WithUser(r.Context(), one.user))
			defer cancel()
			defer context.AfterFunc(one.ctx, cancel)()
			next.ServeHTTP(w, r.WithContext(ctx))
			return
		}
		if p.options.Beside[r.URL.Path] != nil {
			p.basic(w, r, next)
			return
		}
		turnAway(w, r)
	})
}

func turnAway(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path == "/" && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
		return
	}
	refuse(w, publish.SignInNeeded, "sign in first")
}

// basic answers programs, which send name and password with each request
// (RFC 7617): those that gather metrics know no cookies.
func (p *Page) basic(w http.ResponseWriter, r *http.Request, next http.Handler) {
	name, password, given := r.BasicAuth()
	if !given {
		p.askBasic(w, &publish.Refusal{Code: publish.SignInNeeded, Why: "sign in with a name and a password"})
		return
	}
	u, ok := p.attempts.known(name, password)
	if !ok {
		var refusal *publish.Refusal
		if u, refusal = p.prove(w, r, name, password); refusal != nil {
			p.askBasic(w, refusal)
			return
		}
		p.attempts.prove(name, password, u)
	}
	next.ServeHTTP(w, r.WithContext(publish.WithUser(r.Context(), u)))
}

func (p *Page) askBasic(w http.ResponseWriter, refusal *publish.Refusal) {
	if refusal.Code == publish.SignInNeeded {
		w.Header().Set("WWW-Authenticate", `Basic realm="bench", charset="UTF-8"`)
	}
	refuse(w, refusal.Code, refusal.Why)
}

// prove checks a name and password. What it says of a refusal is the same
// whatever was wrong with them.
func (p *Page) prove(w http.ResponseWriter, r *http.Request, name, password string) (publish.User, *publish.Refusal) {
	from := addressOf(r)
	if wait := p.attempts.begin(from); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
		return publish.User{}, &publish.Refusal{Code: http.StatusTooManyRequests, Why: "too many attempts: wait a while, then try again"}
	}
	ctx, cancel := context.WithTimeout(r.Context(), hashWithin)
	defer cancel()
	select {
	case p.hashing <- struct{}{}:
		defer func() { <-p.hashing }()
	case <-ctx.Done():
		return publish.User{}, &publish.Refusal{Code: http.StatusServiceUnavailable, Why: "many sign in at once: try again"}
	}
	u, ok := p.options.SignIn(name, password)
	if !ok {
		return publish.User{}, &publish.Refusal{Code: publish.SignInNeeded, Why: "there is no such name with that password"}
	}
	p.attempts.clear(from)
	return u, nil
}

func (p *Page) serveSignInForm(w http.ResponseWriter, r *http.Request) {
	if p.options.SignIn == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	sendForm(w, http.StatusOK, "")
}

func sendForm(w http.ResponseWriter, code int, why string) {
	var b bytes.Buffer
	if err := signInForm.Execute(&b, why); err != nil {
		panic(err) // the text is ours
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", signInPolicy)
	// With no-referrer a browser would not say either which page a form comes from
	// (Fetch standard, "append a request Origin header").
	w.Header().Set("Referrer-Policy", "same-origin")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes()) // the browser may be gone
}

// serveSignIn begins a session. Whichever the browser had before ends.
func (p *Page) serveSignIn(w http.ResponseWriter, r *http.Request) {
	if p.options.SignIn == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, largestForm)
	if err := r.ParseForm(); err != nil {
		sendForm(w, publish.BadRequest, "The form did not come whole: try again.")
		return
	}
	u, refusal := p.prove(w, r, r.PostForm.Get("name"), r.PostForm.Get("password"))
	if refusal != nil {
		sendForm(w, refusal.Code, "Not signed in: "+refusal.Why+".")
		return
	}
	p.sessions.close(p.tokenOf(r))
	http.SetCookie(w, p.cookie(p.sessions.open(u), signedFor))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (p *Page) serveSignOut(w http.ResponseWriter, r *http.Request) {
	p.sessions.close(p.tokenOf(r))
	c := p.cookie("", 0)
	c.MaxAge = -1
	http.SetCookie(w, c)
	w.WriteHeader(http.StatusNoContent)
}

// mayAsk says why whoever asks may not give a command; nil if they may.
func (p *Page) mayAsk(ctx context.Context, command string) *publish.Refusal {
	if p.options.SignIn == nil {
		return nil
	}
	if u, _ := publish.UserOf(ctx); u.Role < publish.RoleFor(command) {
		return &publish.Refusal{Code: publish.Forbidden, Why: "this needs the role " + publish.RoleFor(command).String() + ", which you do not have"}
	}
	return nil
}
