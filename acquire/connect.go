package acquire

import (
	"context"
	"errors"
	"fmt"
	"net"
	"syscall"
	"time"

	"thimbled/acquire/modbus"
	"thimbled/acquire/serialport"
)

const (
	// shortestPause and longestPause bound the time between attempts to open a
	// line.
	shortestPause = 100 * time.Millisecond
	longestPause  = 2 * time.Second

	dialWithin = 2 * time.Second
	// peerSilence is how long the peer of a connection may acknowledge
	// nothing before the connection counts as dead: a gateway that lost its power
	// says no farewell.
	peerSilence = 15 * time.Second
)

// Open opens the line's serial port or connection.
func Open(ctx context.Context, l Line) (modbus.Port, error) {
	if l.Kind == RTU || l.Kind == Text && l.Serial.Device != "" {
		return serialport.Open(l.Serial)
	}
	d := net.Dialer{
		Timeout:         dialWithin,
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: peerSilence / 3, Interval: peerSilence / 3, Count: 2},
		ControlContext:  limitSilence,
	}
	return d.DialContext(ctx, "tcp", l.Address)
}

// tcpUserTimeout is TCP_USER_TIMEOUT of Linux (RFC 5482), in milliseconds; keep-alive
// alone does not act while a request is unacknowledged.
const tcpUserTimeout = 18

func limitSilence(_ context.Context, _, _ string, c syscall.RawConn) error {
	var err error
	controlErr := c.Control(func(fd uintptr) {
		err = syscall.SetsockoptInt(int(fd), syscall.IPPROTO_TCP, tcpUserTimeout, int(peerSilence/time.Millisecond))
	})
	return errors.Join(controlErr, err)
}

// stayOpen opens the line, calls use with it, closes it when use returns, and
// begins again, until ctx ends. It closes before it opens: an adapter that was
// plugged in again gets another name while the old one is held open.
func (p *poller) stayOpen(ctx context.Context, use func(context.Context, modbus.Port) (good bool, err error)) {
	pause := time.Duration(0)
	for sleepUntil(ctx, time.Now().Add(pause)) == nil {
		began := time.Now()
		opened, good, err := p.openOnce(ctx, use)
		switch {
		case ctx.Err() != nil:
			return
		case good, opened && !errors.Is(err, modbus.ErrGone) && p.line.Kind != Text:
			pause = 0 // the line is there; only its frames were out of step
			continue
		}
		p.down(err, began)
		pause = min(max(2*pause, shortestPause), longestPause)
	}
}

func (p *poller) openOnce(ctx context.Context, use func(context.Context, modbus.Port) (bool, error)) (opened, good bool, err error) {
	open := p.line.Open
	if open == nil {
		open = Open
	}
	port, err := open(ctx, p.line)
	if err != nil {
		return false, false, fmt.Errorf("open line %s: %w", p.line.Name, err)
	}
	if p.line.Wrap != nil {
		port = p.line.Wrap(port)
	}
	stop := context.AfterFunc(ctx, func() { port.Close() })
	good, err = use(ctx, port)
	stop()
	port.Close() // what it says is of no use any more
	return true, good, err
}
