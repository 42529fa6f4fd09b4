package main

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
)

const (
	// mostConnections are 200 pages that follow the bench and what else they fetch. With
	// the broker's 512 it leaves 192 of the 1024 descriptors to lines and files.
	// mostConnectionsFrom is what one other computer may take of them.
	mostConnections     = 320
	mostConnectionsFrom = 48
	// unsent is how many bytes may be on their way to a browser. One that takes nothing
	// is given up soon, and holds little memory of the system until then.
	unsent = 64 << 10
)

// beside are what is served besides the page.
func (d *daemon) beside() map[string]http.Handler {
	return map[string]http.Handler{"/metrics": d.metrics.Handler(), "/healthz": d.metrics.Health()}
}

func (d *daemon) serveHTTP(ctx context.Context) error {
	server := &http.Server{ // the page sets the deadlines of what it writes: its streams have no end
		Handler: d.page.Handler(), ReadTimeout: idle, ReadHeaderTimeout: idle, IdleTimeout: idle, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(d.log.Handler(), slog.LevelDebug), // what strangers do wrong must not fill the log
	}
	context.AfterFunc(ctx, func() { server.Close() })
	var l net.Listener = newCapped(d.http)
	if d.entry.tls != nil {
		secured := d.entry.tls.Clone()
		secured.NextProtos = []string{"http/1.1"}
		l = tls.NewListener(l, secured)
	}
	if err := server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// capped is a listener with no more than so many connections at once. What is over
// that is closed as it comes.
type capped struct {
	net.Listener
	mu    sync.Mutex
	total int
	from  map[netip.Addr]int
}

func newCapped(l net.Listener) *capped { return &capped{Listener: l, from: map[netip.Addr]int{}} }

func (c *capped) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if heldOpen, ok := c.count(conn); ok {
			if tcp, ok := conn.(*net.TCPConn); ok {
				_ = tcp.SetWriteBuffer(unsent) // it works without, too
			}
			return heldOpen, nil
		}
		conn.Close()
	}
}

func (c *capped) count(conn net.Conn) (net.Conn, bool) {
	var from netip.Addr
	if address, err := netip.ParseAddrPort(conn.RemoteAddr().String()); err == nil {
		from = address.Addr().Unmap().WithZone("")
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.total >= mostConnections || c.from[from] >= mostConnectionsFrom && !from.IsLoopback() {
		return nil, false
	}
	c.total++
	c.from[from]++
	return &heldOpen{Conn: conn, leave: sync.OnceFunc(func() { c.leave(from) })}, true
}

func (c *capped) leave(from netip.Addr) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.total--
	if c.from[from]--; c.from[from] == 0 {
		delete(c.from, from)
	}
}

// heldOpen is a connection that counts until it is closed.
type heldOpen struct {
	net.Conn
	leave func()
}

func (c *heldOpen) Close() error {
	defer c.leave()
	return c.Conn.Close()
}
