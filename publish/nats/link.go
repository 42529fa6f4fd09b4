package nats

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"regexp"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// How our own connections behave.
const (
	connectTimeout = 2 * time.Second
	firstReconnect = 100 * time.Millisecond // doubled with each attempt
	maxReconnect   = 2 * time.Second
	pingEvery      = 2 * time.Second // a broker that hangs is noticed after two of these
	writeTimeout   = 2 * time.Second
	closeTimeout   = 500 * time.Millisecond
)

// idRule is what a bench id and a command may look like: both become a token of
// a subject.
var idRule = regexp.MustCompile(`^[A-Za-z0-9_-]+$`)

func checkID(what, id string) error {
	if !idRule.MatchString(id) {
		return fmt.Errorf("%s %q: only letters, digits, - and _", what, id)
	}
	return nil
}

// EventStream is the name of the stream that holds a bench's records.
func EventStream(bench string) string { return "BENCH_" + bench }

// StateStream is the name of the stream that holds a bench's last known state.
func StateStream(bench string) string { return "STATE_" + bench }

func eventSubjects(bench string) string       { return "bench." + bench + ".event.>" }
func readingSubject(bench string) string      { return "bench." + bench + ".reading" }
func stateSubject(bench string) string        { return "bench." + bench + ".state" }
func askSubject(bench, command string) string { return "bench." + bench + ".ask." + command }

// LinkOptions says which broker a bench uses.
type LinkOptions struct {
	Bench string
	// Server is the embedded broker; nil when URL names one.
	Server *Server
	// URL is that of a broker that runs elsewhere, such as nats://host:4222.
	URL string
	// SignIn is for the broker of URL.
	SignIn SignIn
	// Connect opens a connection with the broker of URL; nil means over the network.
	Connect func(network, address string) (net.Conn, error)
	// Log takes connection changes; nil means slog.Default.
	Log *slog.Logger
}

// Link is a bench's connection to its broker. It reconnects for ever and keeps
// nothing back while the broker is away: records come from the journal, and
// a reading that is late is worth nothing.
type Link struct {
	bench    string
	log      *slog.Logger
	embedded bool    // the broker runs in this process
	access   *Access // of the embedded broker; nil: nobody signs in
	signIn   SignIn
	dial     dialer  // nil: over the network
	server   *Server // the embedded broker; nil if it runs elsewhere
	// records carries the journal's records and live everything else: while a
	// record is synced to disk the broker reads nothing more from its connection.
	records, live *natsgo.Conn
	stream        jetstream.JetStream // on records
	state         jetstream.JetStream // on live
	back          chan struct{}       // holds one token after records has connected anew
}

// Dial opens a link. It waits a few seconds at most for a broker that does not
// answer and goes on trying afterwards: an error means that the options are
// wrong.
func Dial(o LinkOptions) (*Link, error) {
	if err := checkID("bench", o.Bench); err != nil {
		return nil, fmt.Errorf("dial broker: %w", err)
	}
	if (o.Server == nil) == (o.URL == "") {
		return nil, errors.New("dial broker: need either an embedded server or a url")
	}
	l := &Link{bench: o.Bench, log: logger(o.Log), dial: o.Connect, embedded: o.Server != nil, signIn: o.SignIn, back: make(chan struct{}, 1)}
	if o.Server != nil {
		l.server, l.access, l.signIn = o.Server, o.Server.access, SignIn{Seed: o.Server.seed}
	}
	if err := l.connect(o); err != nil {
		l.Close()
		return nil, fmt.Errorf("dial broker: %w", err)
	}
	return l, nil
}

func (l *Link) connect(o LinkOptions) (err error) {
	var inProcess natsgo.InProcessConnProvider // nil for an external broker
	if o.Server != nil {
		inProcess = o.Server
	}
	if l.live, err = l.open(o.URL, inProcess, "live", func() {}); err != nil {
		return err
	}
	if l.records, err = l.open(o.URL, inProcess, "records", l.signalBack); err != nil {
		return err
	}
	if l.state, err = jetstream.New(l.live); err != nil {
		return err
	}
	l.stream, err = jetstream.New(l.records)
	return err
}

// open makes one connection; up is called each time it is there.
func (l *Link) open(url string, inProcess natsgo.InProcessConnProvider, purpose string, up func()) (*natsgo.Conn, error) {
	log := l.log.With("connection", purpose)
	options := []natsgo.Option{
		natsgo.Name("thimbled " + l.bench + " " + purpose),
		natsgo.Timeout(connectTimeout), natsgo.RetryOnFailedConnect(true), natsgo.MaxReconnects(-1),
		natsgo.CustomReconnectDelay(reconnectDelay), natsgo.ReconnectBufSize(-1), natsgo.IgnoreAuthErrorAbort(),
		natsgo.PingInterval(pingEvery), natsgo.MaxPingsOutstanding(2), natsgo.FlusherTimeout(writeTimeout),
		natsgo.ConnectHandler(func(*natsgo.Conn) { log.Info("broker connected"); up() }),
		natsgo.ReconnectHandler(func(*natsgo.Conn) { log.Info("broker connected again"); up() }),
		natsgo.DisconnectErrHandler(func(_ *natsgo.Conn, err error) { l.lost(log, err) }),
		natsgo.ErrorHandler(func(_ *natsgo.Conn, _ *natsgo.Subscription, err error) {
			log.Warn("broker connection trouble", "error", err)
		}),
	}
	signed, err := l.signIn.options()
	if err != nil {
		return nil, err
	}
	options = append(options, signed...)
	if inProcess != nil {
		options = append(options, natsgo.InProcessServer(inProcess))
	}
	if l.dial != nil {
		options = append(options, natsgo.SetCustomDialer(l.dial))
	}
	return natsgo.Connect(url, options...)
}

// dialer is a function as the client wants to have it.
type dialer func(network, address string) (net.Conn, error)

func (d dialer) Dial(network, address string) (net.Conn, error) { return d(network, address) }

func reconnectDelay(attempts int) time.Duration {
	return min(firstReconnect<<min(attempts, 10), maxReconnect)
}

func (l *Link) lost(log *slog.Logger, err error) {
	if err != nil { // nil when we closed it ourselves
		log.Warn("broker lost", "error", err)
	}
}

func (l *Link) signalBack() {
	select {
	case l.back <- struct{}{}:
	default:
	}
}

// Connected says whether the broker can be reached now.
func (l *Link) Connected() bool { return l.records.IsConnected() && l.live.IsConnected() }

// Close sends what is on its way and closes the link.
func (l *Link) Close() {
	for _, conn := range []*natsgo.Conn{l.live, l.records} {
		if conn == nil {
			continue
		}
		if conn.IsConnected() {
			_ = conn.FlushTimeout(closeTimeout) // closing anyway
		}
		conn.Close()
	}
}
