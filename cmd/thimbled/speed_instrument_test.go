package main_test

import (
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"os"
	"runtime"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"thimbled/acquire/modbus"
)

// indicator is a load indicator of the benchmarks' own, with its force in
// newtons in the first two registers. It keeps the moment just before the last
// byte of each answer went out, by what the answer said.
type indicator struct {
	force func() uint32

	mu   sync.Mutex
	sent map[uint32]time.Time
}

// counting returns an indicator whose answers all differ: the force counts up to
// less than what starts a pull, and begins again.
func counting() *indicator {
	n := uint32(0)
	return &indicator{sent: map[uint32]time.Time{}, force: func() uint32 { n = (n + 1) % 4000; return n }}
}

// answer is the answer to a request, without address and check.
func (i *indicator) answer(unit byte, pdu []byte) (force uint32, out []byte, err error) {
	q, err := modbus.ParseRequest(unit, pdu)
	if err != nil || q.Table != modbus.Input || q.Address != 0 || q.Count != 2 {
		return 0, nil, fmt.Errorf("indicator was asked for %v: %w", q, err)
	}
	force = i.force()
	return force, binary.BigEndian.AppendUint32([]byte{byte(modbus.Input), 4}, force), nil
}

// sending notes that the last byte of an answer goes out now.
func (i *indicator) sending(force uint32) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.sent[force] = time.Now()
}

// sentAt is when the answer that said so went out last; zero if none did.
func (i *indicator) sentAt(force uint32) time.Time {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.sent[force]
}

// serveTCP answers on a socket of this machine and returns the address.
func (i *indicator) serveTCP(b testing.TB) (address string) {
	b.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			i.converseTCP(b, conn)
			conn.Close()
		}
	}()
	return l.Addr().String()
}

func (i *indicator) converseTCP(b testing.TB, conn net.Conn) {
	request := make([]byte, 12)
	for {
		if _, err := io.ReadFull(conn, request); err != nil {
			return
		}
		f, err := modbus.ParseMBAP(request)
		if err != nil {
			b.Error(err)
			return
		}
		force, pdu, err := i.answer(f.Unit, f.PDU)
		if err != nil {
			b.Error(err)
			return
		}
		i.sending(force)
		if _, err := conn.Write(modbus.AppendMBAP(nil, f.Transaction, f.Unit, pdu)); err != nil {
			return
		}
	}
}

// serveRTU answers on a pseudo-terminal as a line of 115200 8N1 would, each byte
// at its own moment, and returns the device.
func (i *indicator) serveRTU(b *testing.B) (device string) {
	b.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		b.Skipf("no pseudo-terminals here: %v", err)
	}
	b.Cleanup(func() { far.Close() })
	raw, err := far.SyscallConn()
	if err != nil {
		b.Fatal(err)
	}
	number := 0
	var ioctlErr error
	err = raw.Control(func(fd uintptr) {
		if ioctlErr = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); ioctlErr == nil {
			number, ioctlErr = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	})
	if err != nil || ioctlErr != nil {
		b.Fatalf("unlock pseudo-terminal: %v %v", err, ioctlErr)
	}
	go i.converseRTU(b, far)
	return fmt.Sprintf("/dev/pts/%d", number)
}

func (i *indicator) converseRTU(b *testing.B, far io.ReadWriter) {
	runtime.LockOSThread()
	char, silence := modbus.CharTime(115200, 10), modbus.Silence(115200, 10)
	request := make([]byte, 8)
	for {
		if _, err := io.ReadFull(far, request); err != nil {
			return
		}
		start := time.Now()
		unit, pdu, err := modbus.CheckRTU(request)
		if err != nil {
			b.Error(err)
			return
		}
		force, pdu, err := i.answer(unit, pdu)
		if err != nil {
			b.Error(err)
			return
		}
		frame := modbus.AppendRTU(nil, unit, pdu)
		for at := range frame {
			awaitExactly(start.Add(time.Duration(len(request)+1+at)*char + silence))
			if at == len(frame)-1 {
				i.sending(force)
			}
			if _, err := far.Write(frame[at : at+1]); err != nil {
				return
			}
		}
	}
}

// awaitExactly waits in the system, whose timers are finer than the runtime's.
func awaitExactly(t time.Time) {
	if left := time.Until(t) - 60*time.Microsecond; left > 0 {
		ts := unix.NsecToTimespec(int64(left))
		_ = unix.Nanosleep(&ts, nil)
	}
	for time.Until(t) > 0 {
	}
}
