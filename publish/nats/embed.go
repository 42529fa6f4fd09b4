package nats

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// DefaultListen is where the embedded broker listens unless told otherwise.
const DefaultListen = "127.0.0.1:4222"

// Limits of the embedded broker.
const (
	// defaultMaxConns leaves room for the daemon's and an operator's connections beside
	// 500 subscribers. With those of the pages it must stay within 1024 descriptors.
	defaultMaxConns = 512
	maxPayload      = 1 << 20 // a record is about one kilobyte
	maxPending      = 8 << 20 // per subscriber, then it is cut off
	maxMemory       = 16 << 20
	maxStore        = 4 << 30 // some four million records
	writeDeadline   = 2 * time.Second
	startTimeout    = 10 * time.Second
	readyTimeout    = time.Second
	healthEvery     = 10 * time.Second
	restartPause    = time.Minute
)

// Errors that a caller decides on.
var (
	// ErrPortInUse says that another program listens on the port.
	ErrPortInUse = errors.New("port in use")
	// ErrNotLoopback says that the address can be reached from other machines,
	// which an embedded broker without users and TLS refuses.
	ErrNotLoopback = errors.New("not a loopback address")
	// ErrUnhealthy says that the broker no longer stores what it is given.
	ErrUnhealthy = errors.New("broker unhealthy")
)

// ServerOptions says how the embedded broker runs.
type ServerOptions struct {
	// Bench is the bench's id; it is also the JetStream domain.
	Bench string
	// StoreDir is the folder of the broker's own store. It is made if missing.
	StoreDir string
	// Listen is an address and port, a loopback one unless people sign in, over TLS; empty means DefaultListen, port 0 or -1 any free port.
	Listen string
	// Access says who may use the broker; nil: everybody on this computer.
	Access *Access
	// MaxConns caps the connections, our own included; 0 means 512.
	MaxConns int
	// Log takes the broker's warnings and errors; nil means slog.Default.
	Log *slog.Logger
}

// Server is an embedded broker.
type Server struct {
	opts   server.Options // what each start is made from
	bench  string
	access *Access // nil: nobody signs in
	seed   []byte  // that the daemon itself signs in with; nil if nobody does
	log    *slog.Logger
	found  findings                   // what the broker said about its store
	check  func(*server.Server) error // the health check
	every  time.Duration              // between two health checks
	pause  time.Duration              // at least this long between two restarts
	mu     sync.Mutex
	broker *server.Server
	closed bool
}

// Embed starts a broker in this process. It syncs each stored message to disk
// before acknowledging it. The error is [ErrPortInUse] or [ErrNotLoopback]
// where that is the cause.
func Embed(o ServerOptions) (*Server, error) {
	opts, err := brokerOptions(o)
	if err != nil {
		return nil, fmt.Errorf("embed broker: %w", err)
	}
	s := &Server{opts: opts, bench: o.Bench, access: o.Access, log: logger(o.Log), check: health, every: healthEvery, pause: restartPause}
	if err := s.admit(); err != nil {
		return nil, fmt.Errorf("embed broker: %w", err)
	}
	if err := s.start(); err != nil {
		return nil, fmt.Errorf("embed broker: %w", err)
	}
	// A restart comes back to the same port.
	s.opts.Port = s.broker.Addr().(*net.TCPAddr).Port
	return s, nil
}

func brokerOptions(o ServerOptions) (server.Options, error) {
	if err := checkID("bench", o.Bench); err != nil {
		return server.Options{}, err
	}
	if o.StoreDir == "" {
		return server.Options{}, errors.New("no folder given for the store")
	}
	open := o.Access != nil && o.Access.TLS != nil
	host, port, err := listenAddress(o.Listen, open)
	if err != nil {
		return server.Options{}, err
	}
	conns := o.MaxConns
	if conns == 0 {
		conns = defaultMaxConns
	}
	return server.Options{
		ServerName: "thimbled-" + o.Bench, Host: host, Port: port,
		JetStream: true, JetStreamDomain: o.Bench, StoreDir: o.StoreDir, SyncAlways: true,
		JetStreamMaxMemory: maxMemory, JetStreamMaxStore: maxStore,
		MaxConn: conns, MaxPayload: maxPayload, MaxPending: maxPending, WriteDeadline: writeDeadline,
		NoFastProducerStall: true, // a slow subscriber must not hold up the readings
		NoSigs:              true, NoLog: true, DisableJetStreamBanner: true,
	}, nil
}

// listenAddress splits an address and makes sure that it is a loopback one,
// unless the broker is open to other computers.
func listenAddress(listen string, open bool) (host string, port int, err error) {
	if listen == "" {
		listen = DefaultListen
	}
	host, text, err := net.SplitHostPort(listen)
	if err != nil {
		return "", 0, fmt.Errorf("read listen address: %w", err)
	}
	port, err = strconv.Atoi(text)
	if err != nil || port < -1 || port > 65535 {
		return "", 0, fmt.Errorf("read listen address %s: port must be 0 to 65535", listen)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	if ip := net.ParseIP(host); !open && host != "localhost" && !ip.IsLoopback() {
		return "", 0, fmt.Errorf("%w: %s", ErrNotLoopback, listen)
	}
	return host, port, nil
}

// start makes a broker and waits until it can be used. The caller holds mu or
// is alone.
func (s *Server) start() error {
	if err := s.tryPort(); err != nil {
		return err
	}
	return s.openStore()
}

// open makes a broker on the store as it is.
func (s *Server) open() error {
	opts := s.opts // the broker writes to the options it is given
	broker, err := server.NewServer(&opts)
	if err != nil {
		return err
	}
	log := &brokerLog{log: s.log, found: &s.found}
	broker.SetLoggerV2(log, false, false, false)
	broker.Start()
	if log.fatal() != nil || !broker.ReadyForConnections(startTimeout) {
		broker.Shutdown()
		broker.WaitForShutdown()
		return s.whyNot(log.fatal())
	}
	if s.access != nil {
		if err := s.access.share(broker, s.bench); err != nil {
			broker.Shutdown()
			broker.WaitForShutdown()
			return err
		}
	}
	s.broker = broker
	return nil
}

// admit makes the daemon's own key and lets the users in.
func (s *Server) admit() error {
	if s.access == nil {
		return nil
	}
	seed, public, err := NewKey()
	if err != nil {
		return err
	}
	s.seed = seed
	return s.access.admit(&s.opts, s.bench, public)
}

// whyNot says why the broker did not start: another program may have taken the
// port since it was tried.
func (s *Server) whyNot(fatal error) error {
	if err := s.tryPort(); err != nil {
		return err
	}
	return errors.Join(errors.New("broker did not start"), fatal)
}

// tryPort listens for a moment, because the broker itself cannot say why it
// cannot.
func (s *Server) tryPort() error {
	if s.opts.Port == server.RANDOM_PORT {
		return nil
	}
	addr := net.JoinHostPort(s.opts.Host, strconv.Itoa(s.opts.Port))
	l, err := net.Listen("tcp", addr)
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("%w: %s", ErrPortInUse, addr)
	}
	if err != nil {
		return err
	}
	return l.Close()
}

// URL is where clients reach the broker.
func (s *Server) URL() string {
	scheme := "nats://"
	if s.opts.TLS {
		scheme = "tls://"
	}
	return scheme + net.JoinHostPort(s.opts.Host, strconv.Itoa(s.opts.Port))
}

// InProcessConn returns a connection that does not pass the network.
func (s *Server) InProcessConn() (net.Conn, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broker == nil {
		return nil, fmt.Errorf("connect in process: %w", server.ErrServerNotRunning)
	}
	return s.broker.InProcessConn()
}

// Healthy returns nil while the broker stores what it is given; otherwise the
// error is [ErrUnhealthy] and says why.
func (s *Server) Healthy() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broker == nil {
		return fmt.Errorf("%w: not running", ErrUnhealthy)
	}
	return s.check(s.broker)
}

func health(broker *server.Server) error {
	if !broker.ReadyForConnections(readyTimeout) {
		return fmt.Errorf("%w: it takes no connections", ErrUnhealthy)
	}
	return ofStreams(broker)
}

// ofStreams is the health of what is stored. Whether connections are taken is
// another question, which a busy computer answers late.
func ofStreams(broker *server.Server) error {
	for _, e := range broker.Healthz(&server.HealthzOptions{Details: true}).Errors {
		// A deleted stream has a name with a dot in front until its files are gone.
		if e.Type != server.HealthzErrorConn && !strings.HasPrefix(e.Stream, ".") {
			return fmt.Errorf("%w: %s", ErrUnhealthy, e.Error)
		}
	}
	return nil
}

// Watch looks at the broker's health until ctx ends and starts it anew when it
// has failed: after a storage error its stream stays frozen until then. It
// restarts at most once a minute.
func (s *Server) Watch(ctx context.Context) error {
	tick := time.NewTicker(s.every)
	defer tick.Stop()
	var last time.Time
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		err := s.Healthy()
		if err == nil || (!last.IsZero() && time.Since(last) < s.pause) {
			continue
		}
		s.log.Error("restart embedded broker", "cause", err)
		last = time.Now()
		if err := s.Restart(); err != nil {
			s.log.Error("restart embedded broker", "error", err)
		}
	}
}

// Restart stops the broker and starts it again on the same port and store.
func (s *Server) Restart() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return server.ErrServerNotRunning
	}
	s.stop()
	return s.start()
}

// Shutdown stops the broker and waits until its store is closed.
func (s *Server) Shutdown() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	s.stop()
}

func (s *Server) stop() {
	if s.broker == nil {
		return
	}
	s.broker.Shutdown()
	s.broker.WaitForShutdown()
	s.broker = nil
}
