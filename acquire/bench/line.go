package bench

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Kind is how a line carries requests and answers; the words are those of the
// daemon's config.
type Kind string

// The kinds of line.
const (
	RTU        Kind = "rtu"          // Modbus RTU on a serial device
	TCP        Kind = "tcp"          // Modbus TCP
	RTUOverTCP Kind = "rtu-over-tcp" // Modbus RTU through a serial device server
	Text       Kind = "text"         // printed lines, on a serial device or through a device server
)

// LineSettings describes a line. One with neither Device nor Address is in
// memory and reached by [Line.Open] only.
type LineSettings struct {
	Name    string
	Kind    Kind
	Device  string // RTU and Text: the link to make to a pseudo-terminal
	Address string // all but RTU: host:port to listen on, port 0 for a free one
	Pace    Pace
	Print   Printing    // Text
	On      Instruments // those of a [Bench] that are on the line; Text has the load indicator only
}

// Instruments says which of the bench's instruments are on a line.
type Instruments uint8

// The choices.
const (
	Both Instruments = iota
	LoadOnly
	PressureOnly
)

// Line is a simulated line with its instruments. It answers only for its own
// units and counts every function code that reaches it.
type Line struct {
	settings LineSettings
	units    map[byte]Unit
	faults   *FaultList
	seen     [256]atomic.Int64
	garbled  atomic.Int64
	device   *device // owned by Serve
	listener net.Listener

	mu     sync.Mutex
	absent time.Time // unplugged until then
	wires  map[Wire]struct{}
}

// NewLine makes a line and, if it has a device or an address, opens it; it
// answers there while [Line.Serve] runs. A text line has one unit.
func NewLine(settings LineSettings, faults *FaultList, units ...Unit) (*Line, error) {
	l := &Line{settings: settings, units: map[byte]Unit{}, faults: faults, wires: map[Wire]struct{}{}}
	err := errors.Join(settings.validate(), l.add(units))
	if err == nil {
		err = l.open()
	}
	if err != nil {
		return nil, fmt.Errorf("line %s: %w", settings.Name, err)
	}
	return l, nil
}

func (s LineSettings) validate() error {
	serial := s.Kind == RTU || s.Kind == Text
	switch {
	case !serial && s.Kind != TCP && s.Kind != RTUOverTCP:
		return fmt.Errorf("%q is no kind of line", s.Kind)
	case s.Device != "" && !serial, s.Address != "" && (s.Kind == RTU || s.Device != ""):
		return fmt.Errorf("a line of kind %s is not reached that way", s.Kind)
	case s.Pace.Baud < 0 || s.Pace.Bits < 0 || s.Pace.Delay < 0 || s.Print.Every < 0:
		return errors.New("times must not be negative")
	}
	return nil
}

func (l *Line) add(units []Unit) error {
	for _, u := range units {
		if err := u.validate(); err != nil {
			return err
		}
		if _, twice := l.units[u.ID]; twice {
			return fmt.Errorf("unit %d is there twice", u.ID)
		}
		l.units[u.ID] = u
	}
	if len(units) == 0 || l.settings.Kind == Text && len(units) > 1 {
		return fmt.Errorf("%d units do not fit a line of kind %s", len(units), l.settings.Kind)
	}
	return nil
}

func (l *Line) open() (err error) {
	if l.settings.Device != "" {
		l.device, err = openDevice(l.settings.Device)
	}
	if l.settings.Address != "" {
		l.listener, err = net.Listen("tcp", l.settings.Address)
	}
	return err
}

// Name is the line's name.
func (l *Line) Name() string { return l.settings.Name }

// Address is where a client finds the line: the device's link or host:port;
// empty for a line in memory.
func (l *Line) Address() string {
	if l.listener != nil {
		return l.listener.Addr().String()
	}
	return l.settings.Device
}

// Functions counts the requests received so far by function code, whichever
// unit they were for.
func (l *Line) Functions() map[byte]int {
	out := map[byte]int{}
	for code := range l.seen {
		if n := l.seen[code].Load(); n > 0 {
			out[byte(code)] = int(n)
		}
	}
	return out
}

// Garbled counts what was received on RTU and was no request.
func (l *Line) Garbled() int { return int(l.garbled.Load()) }

// Open connects a client in memory, and serves it until it closes its end or
// ctx ends. While the line is unplugged it fails with [os.ErrNotExist].
func (l *Line) Open(ctx context.Context) (*End, error) {
	if l.away() > 0 {
		return nil, fmt.Errorf("open line %s: %w", l.settings.Name, os.ErrNotExist)
	}
	theirs, ours := Pipe()
	go l.converse(ctx, ours)
	return theirs, nil
}

// Serve answers on the device or at the address until ctx ends, which is no
// error, and closes it then.
func (l *Line) Serve(ctx context.Context) error {
	defer l.Close()
	var err error
	switch {
	case l.device != nil:
		err = l.serveDevice(ctx)
	case l.listener != nil:
		err = l.serveListener(ctx)
	default:
		<-ctx.Done()
	}
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("line %s: %w", l.settings.Name, err)
	}
	return nil
}

// Close closes a line that is not served.
func (l *Line) Close() error {
	switch {
	case l.device != nil:
		return l.device.Close()
	case l.listener != nil:
		return l.listener.Close()
	}
	return nil
}

// serveDevice serves the device, and a new one under the same link each time
// the line was unplugged.
func (l *Line) serveDevice(ctx context.Context) error {
	for {
		err := l.converse(ctx, l.device)
		if ctx.Err() != nil {
			return nil
		}
		if pulled := unplugged(0); !errors.As(err, &pulled) {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(l.away()):
		}
		if l.device, err = openDevice(l.settings.Device); err != nil {
			return err
		}
	}
}

func (l *Line) serveListener(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { l.listener.Close() })
	defer stop()
	var clients sync.WaitGroup
	defer clients.Wait()
	for {
		conn, err := l.listener.Accept()
		if err != nil {
			return err
		}
		if l.away() > 0 {
			conn.Close()
			continue
		}
		clients.Go(func() { l.converse(ctx, conn) })
	}
}

// converse talks to one client until either side has had enough, and says why.
func (l *Line) converse(ctx context.Context, w Wire) error {
	l.mu.Lock()
	l.wires[w] = struct{}{}
	l.mu.Unlock()
	stop := context.AfterFunc(ctx, func() { w.Close() })
	err := l.talk(&conversation{line: l, wire: w, done: ctx.Done()})
	stop()
	w.Close()
	l.mu.Lock()
	delete(l.wires, w)
	l.mu.Unlock()
	if pulled := unplugged(0); errors.As(err, &pulled) && pulled > 0 {
		l.unplug(time.Duration(pulled))
	}
	return err
}

func (l *Line) talk(c *conversation) error {
	switch l.settings.Kind {
	case Text:
		for _, u := range l.units {
			return c.print(u)
		}
	case TCP:
		return c.modbus(mbapFraming{wire: c.wire})
	}
	return c.modbus(newRTUFraming(c.wire, l.settings.Pace, func() { l.garbled.Add(1) }))
}

// unplug takes the line away from every client for so long.
func (l *Line) unplug(takes time.Duration) {
	l.mu.Lock()
	l.absent = time.Now().Add(takes)
	clients := slices.Collect(maps.Keys(l.wires))
	l.mu.Unlock()
	for _, w := range clients {
		w.Close()
	}
}

// away is how long the line will be unplugged yet; 0 or less for not at all.
func (l *Line) away() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return time.Until(l.absent)
}
