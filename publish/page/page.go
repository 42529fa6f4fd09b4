package page

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strconv"
	"sync"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// Options says where the page's content comes from. Functions may be called from
// any goroutine.
type Options struct {
	// Bench is the bench's id, Capacity the greatest force it may pull with.
	Bench    string
	Capacity peak.Force
	// Show is the unit of force that people see, Division the indicator's
	// smallest step, from which the decimals follow.
	Show         peak.ForceUnit
	Division     peak.Force
	PressureUnit peak.PressureUnit
	// Ranges are the measuring ranges of the indicator, none when it has only one.
	Ranges []peak.Range
	// AgeLimit is the age beyond which a number is struck from the screen; 0
	// means 1 s.
	AgeLimit time.Duration
	// Listen is the host:port that people reach the page at; see [Page.Handler].
	Listen string
	// Hosts are names, without a port, that the page is known by besides.
	Hosts []string
	// Secure says that people reach the page over TLS.
	Secure bool
	// SignIn says who has this name and password; nil: nobody signs in, and
	// whoever reaches the page may do everything.
	SignIn func(name, password string) (publish.User, bool)
	// Beside are handlers of GET at other paths, behind the same guard. Those who
	// sign in may do so there with each request (HTTP basic authentication).
	Beside map[string]http.Handler

	// Snapshot returns the newest snapshot, nil before the first; Now the
	// elapsed time on its clock.
	Snapshot func() *publish.Snapshot
	Now      func() time.Duration
	// Records is the journal. Its last records are read; Earlier are the numbers
	// of verifications and changes of parameters that may lie before them.
	Records publish.Records
	Earlier []uint64
	// Trace opens a trace by the name that a record gives it.
	Trace func(name string) (io.ReadCloser, error)
	// Ask carries out a command. Its error is a [*publish.Refusal] where the
	// command was understood and refused.
	Ask func(ctx context.Context, command string, body []byte) ([]byte, error)
	// Certificate makes the certificate of a job's test, as "pdf" or "html".
	Certificate func(ctx context.Context, job, format string) (body []byte, contentType string, err error)
}

// Page is the operator's page of one bench.
type Page struct {
	options  Options
	hosts    hosts
	assets   map[string]asset
	setup    setup
	run      string // names this run of the daemon, whose time counts anew
	history  *history
	standing standing

	sessions sessions
	attempts attempts

	// How many are read, made and checked at once.
	traces, papers, hashing chan struct{}

	mu      sync.Mutex
	recent  recent               // guarded by mu
	streams map[*stream]struct{} // guarded by mu, and so are their spans
	alarmed bool                 // guarded by mu: whether an alarm was on at the last step
}

const defaultAgeLimit = time.Second

// New makes a page. [Page.Run] must run for it to know the last pulls.
func New(o Options) (*Page, error) {
	switch {
	case o.Snapshot == nil || o.Now == nil || o.Records == nil:
		return nil, errors.New("the page needs the snapshot, the time and the journal")
	case o.Trace == nil || o.Ask == nil || o.Certificate == nil:
		return nil, errors.New("the page needs traces, commands and certificates")
	}
	if o.AgeLimit == 0 {
		o.AgeLimit = defaultAgeLimit
	}
	hosts, err := allowedHosts(o)
	if err != nil {
		return nil, err
	}
	assets, err := loadAssets()
	if err != nil {
		return nil, err
	}
	run := strconv.FormatInt(time.Now().UnixNano(), 36)
	p := &Page{
		options: o, hosts: hosts, assets: assets, setup: setupOf(o), streams: map[*stream]struct{}{}, run: run, history: newHistory(run, o.Earlier),
		traces: make(chan struct{}, 1), papers: make(chan struct{}, 2), hashing: make(chan struct{}, 1),
	}
	return p, nil
}

// Run follows the journal until ctx ends, which is no error.
func (p *Page) Run(ctx context.Context) error {
	err := p.history.follow(ctx, p.options.Records)
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// Hear takes note of a step of the loop: the newest snapshot, the range of force
// since the step before, and the elapsed time. It never waits for a browser. One
// caller at a time.
func (p *Page) Hear(s *publish.Snapshot, span publish.Span, now time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.recent.add(s, span, now)
	turned := p.alarmed != s.State.Alarm.Known
	p.alarmed = s.State.Alarm.Known
	for one := range p.streams {
		if turned {
			one.due = now // an alarm does not wait its turn
		}
		one.hear(span, now)
	}
}

// Handler serves the page at "/". It answers requests to localhost, 127.0.0.1
// and [::1] with the port of Listen, to the host of Listen, and, where Listen
// names no host, to the address that the connection came in on. Requests that
// name another host, as those of a page that had its own name pointed here,
// get 421; commands from pages of other origins get 403. Where people sign in, those
// who have not get 401, and the form at /sign-in.
func (p *Page) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", p.serveAsset)
	mux.HandleFunc("GET /page/{file}", p.serveAsset)
	mux.HandleFunc("GET /setup", p.serveSetup)
	mux.HandleFunc("GET /live", p.serveLive)
	mux.HandleFunc("GET /curve", p.serveRecent)
	mux.HandleFunc("GET /pulls", p.servePulls)
	mux.HandleFunc("GET /pulls/{number}/curve", p.servePullCurve)
	mux.HandleFunc("POST /ask/{command}", p.serveAsk)
	mux.HandleFunc("GET /certificate/{file}", p.serveCertificate)
	mux.HandleFunc("GET /sign-in", p.serveSignInForm)
	mux.HandleFunc("POST /sign-in", p.serveSignIn)
	mux.HandleFunc("POST /sign-out", p.serveSignOut)
	for path, handler := range p.options.Beside {
		mux.Handle("GET "+path, handler)
	}
	return p.guard(p.signed(mux))
}
