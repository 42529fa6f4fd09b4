package modbus

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"thimbled/acquire/serialport"
)

// The benchmarks' slave is another process, so that its timing does not hang on
// the scheduler that is measured. The test binary starts itself as one.
const slaveBaud, slaveBits = "PACED_SLAVE_BAUD", "PACED_SLAVE_BITS"

func TestMain(m *testing.M) {
	if os.Getenv(slaveBaud) == "" {
		os.Exit(m.Run())
	}
	baud, err1 := strconv.Atoi(os.Getenv(slaveBaud))
	bits, err2 := strconv.Atoi(os.Getenv(slaveBits))
	if err1 != nil || err2 != nil {
		os.Exit(2)
	}
	pacedSlave(3, CharTime(baud, bits), Silence(baud, bits))
}

// pacedSlave answers on the master side of a pseudo-terminal as a serial line
// of that rate would deliver it: each byte at its own moment, counted from the
// first byte of the request. It ends when the terminal does.
func pacedSlave(fd int, char, silence time.Duration) {
	runtime.LockOSThread()
	request := make([]byte, 0, 256)
	for {
		n, err := syscall.Read(fd, request[len(request):cap(request)])
		if err == syscall.EINTR {
			continue
		}
		if n <= 0 || err != nil {
			return
		}
		start := time.Now()
		request = request[:len(request)+n]
		if len(request) < 8 {
			continue
		}
		unit, pdu, err := CheckRTU(request[:8])
		if err != nil {
			os.Exit(1)
		}
		q, err := ParseRequest(unit, pdu)
		if err != nil {
			os.Exit(1)
		}
		request = request[:0]
		answer := goodRTU(q)
		for i := range answer {
			sleepUntil(start.Add(silence + time.Duration(8+i+1)*char))
			if _, err := syscall.Write(fd, answer[i:i+1]); err != nil {
				return
			}
		}
	}
}

func sleepUntil(t time.Time) {
	for left := time.Until(t); left > 0; left = time.Until(t) {
		if left < 60*time.Microsecond {
			continue // the system's timers are no finer
		}
		ts := syscall.NsecToTimespec(int64(left - 55*time.Microsecond))
		_ = syscall.Nanosleep(&ts, nil)
	}
}

func ioctl(fd int, request, arg uintptr) error {
	if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, uintptr(fd), request, arg); errno != 0 {
		return errno
	}
	return nil
}

// pty opens a pseudo-terminal and returns its master and the name of its slave
// side, in raw mode.
func pty(tb testing.TB) (master *os.File, name string) {
	tb.Helper()
	fd, err := syscall.Open("/dev/ptmx", syscall.O_RDWR|syscall.O_NOCTTY|syscall.O_CLOEXEC, 0)
	if err != nil {
		tb.Skipf("no pseudo-terminals here: %v", err)
	}
	var number, unlocked int32
	if err := ioctl(fd, syscall.TIOCGPTN, uintptr(unsafe.Pointer(&number))); err != nil {
		tb.Fatal(err)
	}
	if err := ioctl(fd, syscall.TIOCSPTLCK, uintptr(unsafe.Pointer(&unlocked))); err != nil {
		tb.Fatal(err)
	}
	var raw syscall.Termios
	if err := ioctl(fd, syscall.TCGETS, uintptr(unsafe.Pointer(&raw))); err != nil {
		tb.Fatal(err)
	}
	raw.Iflag, raw.Oflag, raw.Lflag = 0, 0, 0
	raw.Cc[syscall.VMIN], raw.Cc[syscall.VTIME] = 1, 0
	if err := ioctl(fd, syscall.TCSETS, uintptr(unsafe.Pointer(&raw))); err != nil {
		tb.Fatal(err)
	}
	return os.NewFile(uintptr(fd), "ptmx"), fmt.Sprintf("/dev/pts/%d", number)
}

// pacedLine starts the slave and returns the terminal that it answers on.
func pacedLine(tb testing.TB, baud, bits int) (name string) {
	tb.Helper()
	master, name := pty(tb)
	exe, err := os.Executable()
	if err != nil {
		tb.Fatal(err)
	}
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d", slaveBaud, baud), fmt.Sprintf("%s=%d", slaveBits, bits))
	cmd.ExtraFiles = []*os.File{master}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	master.Close() // ours; the slave has its own
	return name
}

// openers are the ways to a terminal: as the daemon opens it, and as a file with
// the runtime's deadlines. A pseudo-terminal has no parity.
var openers = map[string]func(tb testing.TB, name string, baud int) Port{
	"port": func(tb testing.TB, name string, baud int) Port {
		p, err := serialport.Open(serialport.Settings{Device: name, Baud: baud})
		if err != nil {
			tb.Fatal(err)
		}
		return p
	},
	"file": func(tb testing.TB, name string, _ int) Port {
		fd, err := syscall.Open(name, syscall.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK|syscall.O_CLOEXEC, 0)
		if err != nil {
			tb.Fatal(err)
		}
		return os.NewFile(uintptr(fd), name)
	},
}

// TestPacedLine reads over terminals of the operating system, in its own time. A
// computer that is too busy may miss answers, but none is wrong.
func TestPacedLine(t *testing.T) {
	for kind, open := range openers {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			port := open(t, pacedLine(t, 115200, 10), 115200)
			s := Settings{CharTime: CharTime(115200, 10), Silence: Silence(115200, 10), Timeout: 200 * time.Millisecond, WorstAnswer: 200 * time.Millisecond}
			c := NewRTU(port, s)
			defer c.Close()
			good := 0
			for i := uint16(0); good < 20 && i < 200; i++ {
				err := poll(t, c, Request{Unit: 1, Table: Input, Address: i, Count: 8})
				switch {
				case err == nil:
					good++
				case Lost(err):
					t.Fatal(err)
				}
			}
			if good < 20 {
				t.Errorf("%d good readings, %+v", good, c.Counters())
			}
		})
	}
}

// BenchmarkPacedRTU reads 8 registers as fast as the line allows and reports
// the part of the rate that a line of that speed has: the bytes on the wire and
// 3.5 characters of silence each way. The median tells of the client where the
// mean tells of a busy computer too.
func BenchmarkPacedRTU(b *testing.B) {
	for _, line := range []struct {
		name       string
		baud, bits int
	}{
		{"19200-8E1", 19200, 11},
		{"115200-8N1", 115200, 10},
	} {
		for kind, open := range openers {
			b.Run(line.name+"/"+kind, func(b *testing.B) {
				port := open(b, pacedLine(b, line.baud, line.bits), line.baud)
				benchPaced(b, port, line.baud, line.bits)
			})
		}
	}
}

func benchPaced(b *testing.B, port Port, baud, bits int) {
	s := Settings{CharTime: CharTime(baud, bits), Silence: Silence(baud, bits), Timeout: time.Second}
	c := NewRTU(port, s)
	defer c.Close()
	q := Request{Unit: 1, Table: Input, Count: 8}
	if err := poll(b, c, q); err != nil {
		b.Fatal(err)
	}
	took := make([]time.Duration, 0, 1<<16)
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	b.ReportAllocs()
	before, start := usage(b), time.Now()
	for b.Loop() {
		if _, _, err := c.Read(ctx, q); err != nil {
			b.Fatal(err)
		}
		now := time.Now()
		took, start = append(took, now.Sub(start)), now
	}
	cycle := time.Duration(8+5+16)*s.CharTime + 2*s.Silence
	b.ReportMetric(float64(cycle)/float64(b.Elapsed())*float64(b.N), "of-line-rate")
	slices.Sort(took)
	b.ReportMetric(float64(cycle)/float64(took[len(took)/2]), "of-line-rate-p50")
	b.ReportMetric(float64(usage(b)-before)/float64(b.N)/1e3, "cpu-us/op")
}

// usage is the processor time that this process has used.
func usage(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
