//go:build linux

package acquire_test

import (
	"net"
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"thimbled/acquire/modbus"
)

// terminal is the far end of a serial line: a pseudo-terminal with a stable name. Its
// near end is kept open here, so that the poller may come and go.
type terminal struct {
	*os.File
	slave *os.File
	link  string
}

// plugIn makes a pseudo-terminal and the link to it.
func plugIn(link string) (*terminal, error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	master := os.NewFile(uintptr(fd), "ptmx")
	slave, err := rawSlave(fd)
	if err != nil {
		master.Close()
		return nil, err
	}
	if err := os.Symlink(slave.Name(), link); err != nil {
		slave.Close()
		master.Close()
		return nil, err
	}
	return &terminal{master, slave, link}, nil
}

func rawSlave(master int) (*os.File, error) {
	if err := unix.IoctlSetPointerInt(master, unix.TIOCSPTLCK, 0); err != nil {
		return nil, err
	}
	number, err := unix.IoctlGetInt(master, unix.TIOCGPTN)
	if err != nil {
		return nil, err
	}
	name := "/dev/pts/" + strconv.Itoa(number)
	fd, err := unix.Open(name, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	mode, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		unix.Close(fd)
		return nil, err
	}
	mode.Iflag, mode.Oflag, mode.Lflag = 0, 0, 0
	mode.Cc[unix.VMIN], mode.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, mode); err != nil {
		unix.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), name), nil
}

// Close takes the name away, then hangs up. The name goes first, for its number may be
// another line's at once.
func (n *terminal) Close() error {
	os.Remove(n.link)
	return n.File.Close()
}

// unplug closes both ends.
func (n *terminal) unplug() {
	n.Close()
	n.slave.Close()
}

// values is what the two instruments show. Each request finds other values, which
// nobody else has shown and which move all bits, so a reading tells
// which request it answers.
type values struct{ load, pressure uint32 }

// Both instruments are asked by the same unit, function and count: nothing but the time
// and the order tells their answers apart on a serial line.
const (
	loadRegister     = 8
	pressureRegister = 12
)

// valuesOf spreads the number of a request over 32 bits, by odd factors, so that no two
// numbers have one value.
func valuesOf(number uint32) values {
	return values{number * 2654435761, number*2246822519 ^ 0xA5A5A5A5}
}

// question is a request that the poller has written.
type question struct {
	number uint32
	at     time.Time // just before it was written
}

// asking numbers the requests of one line as the poller writes them. The poller's side
// adds to it, the proxy takes from it.
type asking struct {
	mu     sync.Mutex
	last   question
	queues map[string][]question // by the poller's end of the connection
}

func newAsking() *asking { return &asking{queues: map[string][]question{}} }

func (a *asking) push(key string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.last = question{a.last.number + 1, time.Now()}
	a.queues[key] = append(a.queues[key], a.last)
}

// pop returns the oldest request of a connection that the proxy has not had.
func (a *asking) pop(key string) (q question, ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	queue := a.queues[key]
	if len(queue) == 0 {
		return question{}, false
	}
	a.queues[key] = queue[1:]
	return queue[0], true
}

// begin drops what a connection before did not deliver. Its name may come again.
func (a *asking) begin(key string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.queues, key)
}

func (a *asking) newest() question {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.last
}

// wrap is put around each port that the poller opens.
func (a *asking) wrap(p modbus.Port) modbus.Port {
	conn, ok := p.(net.Conn)
	if !ok {
		a.begin("")
		return numberedPort{p, a}
	}
	key := conn.LocalAddr().String()
	a.begin(key)
	return numberedConn{conn, a, key}
}

type numberedPort struct {
	modbus.Port
	asking *asking
}

func (p numberedPort) Write(b []byte) (int, error) {
	p.asking.push("")
	return p.Port.Write(b)
}

type numberedConn struct {
	net.Conn
	asking *asking
	key    string
}

func (c numberedConn) Write(b []byte) (int, error) {
	c.asking.push(c.key)
	return c.Conn.Write(b)
}

// listen makes the near side of a line over a socket.
func listen(t testing.TB) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}
