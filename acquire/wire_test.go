package acquire

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"thimbled/acquire/modbus"
	"thimbled/peak"
)

// openPTY makes a pseudo-terminal: the far end of a serial line, and the device
// that a poller opens.
func openPTY(t testing.TB) (far *os.File, device string) {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatalf("open pseudo-terminal: %v", err)
	}
	t.Cleanup(func() { far.Close() })
	var unlocked, number int32
	raw, err := far.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	err = raw.Control(func(fd uintptr) {
		for request, value := range map[uintptr]*int32{syscall.TIOCSPTLCK: &unlocked, syscall.TIOCGPTN: &number} {
			if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, fd, request, uintptr(unsafe.Pointer(value))); errno != 0 {
				t.Errorf("set up pseudo-terminal: %v", errno)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return far, fmt.Sprintf("/dev/pts/%d", number)
}

// serve answers the requests that come over a real wire until it is closed.
func serve(b *bus, wire io.ReadWriter, size int) {
	frame := make([]byte, size)
	for {
		if _, err := io.ReadFull(wire, frame); err != nil {
			return
		}
		reply, _ := b.answer(frame)
		if _, err := wire.Write(reply); err != nil {
			return
		}
	}
}

// realLines are a serial line and a network line with the same instruments.
func realLines(t testing.TB) map[Kind]Line {
	far, device := openPTY(t)
	go serve(newBus(false, floatAt0(12.5), floatAt0(80)), far, 8)

	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go serve(newBus(true, floatAt0(12.5), floatAt0(80)), conn, 12)
		}
	}()
	instruments := []Instrument{load(20 * ms), gauge(100 * ms)}
	serial := Line{Name: "serial", Kind: RTU, WorstAnswer: 100 * ms, Instruments: instruments}
	serial.Serial.Device, serial.Serial.Baud = device, 115200
	return map[Kind]Line{RTU: serial, TCP: {Name: "network", Kind: TCP, Address: listener.Addr().String(), Instruments: instruments}}
}

// The same poller, over the operating system's own serial and network code. A
// computer that is too busy may miss answers, but no value is ever wrong.
func TestRealLines(t *testing.T) {
	for kind, l := range realLines(t) {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		wrapped, loads, gauges := 0, 0, 0
		l.Wrap = func(p modbus.Port) modbus.Port { wrapped++; return p }
		err := Poll(ctx, l, time.Now(), func(s Sample) {
			switch {
			case s.Quality == peak.Timeout:
			case s.Quality != peak.Good:
				t.Errorf("%s: %+v", kind, s)
			case s.Instrument == "load" && s.Force == 12500*peak.Newton:
				loads++
			case s.Instrument == "pressure" && s.Pressure == 80*peak.Bar:
				gauges++
			default:
				t.Errorf("%s: %+v", kind, s)
			}
			if s.Due > s.Asked || s.Asked > s.Answered {
				t.Errorf("%s: due %v, asked %v, answered %v", kind, s.Due, s.Asked, s.Answered)
			}
			if loads >= 20 && gauges >= 3 {
				cancel()
			}
		})
		cancel()
		if err != nil || loads < 20 || gauges < 3 || wrapped != 1 {
			t.Errorf("%s: %v; %d loads, %d gauges, opened %d times", kind, err, loads, gauges, wrapped)
		}
	}
}

func TestRealLineThatIsNotThere(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	listener.Close()
	serial := Line{Name: "serial", Kind: RTU, Instruments: []Instrument{load(20 * ms)}}
	serial.Serial.Device, serial.Serial.Baud = t.TempDir()+"/gone", 115200
	for _, l := range []Line{serial, {Name: "network", Kind: TCP, Address: address, Instruments: serial.Instruments}} {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		n := 0
		err := Poll(ctx, l, time.Now(), func(s Sample) {
			if n++; s.Quality != peak.Disconnected || s.Why == "" {
				t.Errorf("%s: %+v", l.Name, s)
			}
			if n == 3 {
				cancel()
			}
		})
		cancel()
		if err != nil || n != 3 {
			t.Errorf("%s: %v after %d samples", l.Name, err, n)
		}
	}
}

// BenchmarkLateness measures how late polls at 50 Hz are, and how long they take, on a
// computer that is idle and on one whose processors are all busy with other
// programs. Run it with -benchtime 1000x.
func BenchmarkLateness(b *testing.B) {
	for _, busy := range []bool{false, true} {
		for _, kind := range []Kind{RTU, TCP} {
			b.Run(fmt.Sprintf("busy=%v/%s", busy, kind), func(b *testing.B) {
				if busy {
					defer burn(b)()
				}
				measure(b, realLines(b)[kind])
			})
		}
	}
}

func measure(b *testing.B, l Line) {
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	var late, took []time.Duration
	missed := 0
	_ = Poll(ctx, l, time.Now(), func(s Sample) {
		if s.Instrument != "load" || s.Asked < time.Second { // a serial line is settled by then
			return
		}
		late, took, missed = append(late, s.Asked-s.Due), append(took, s.Answered-s.Asked), missed+s.Missed
		if len(late) == b.N {
			cancel()
		}
	})
	slices.Sort(late)
	slices.Sort(took)
	us := func(d time.Duration) float64 { return float64(d) / float64(time.Microsecond) }
	b.ReportMetric(us(late[len(late)/2]), "late-p50-µs")
	b.ReportMetric(us(late[len(late)*99/100]), "late-p99-µs")
	b.ReportMetric(us(took[len(took)*99/100]), "took-p99-µs")
	b.ReportMetric(float64(missed), "missed")
}

// burn keeps every processor busy with another program until stop is called.
func burn(b *testing.B) (stop func()) {
	var all []*exec.Cmd
	for range runtime.NumCPU() {
		c := exec.Command("sh", "-c", "while :; do :; done")
		if err := c.Start(); err != nil {
			b.Fatal(err)
		}
		all = append(all, c)
	}
	return func() {
		for _, c := range all {
			c.Process.Kill()
			c.Wait()
		}
	}
}
