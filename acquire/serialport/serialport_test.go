package serialport

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"thimbled/peak"
)

// soon is far above any delay that these tests provoke and below every time
// limit that would be a hang.
const soon = 10 * time.Second

// within runs f and fails when it does not come back.
func within(t *testing.T, what string, f func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); f() }()
	select {
	case <-done:
	case <-time.After(soon):
		t.Fatalf("%s did not come back", what)
	}
}

// readUntilError reads in another goroutine and gives its first error.
func readUntilError(p *Port) <-chan error {
	failed := make(chan error, 1)
	go func() {
		for b := make([]byte, 64); ; {
			if _, err := p.Read(b); err != nil {
				failed <- err
				return
			}
		}
	}()
	return failed
}

func waitError(t *testing.T, failed <-chan error, want error) {
	t.Helper()
	select {
	case err := <-failed:
		if !errors.Is(err, want) {
			t.Fatalf("error %v, want %v", err, want)
		}
	case <-time.After(soon):
		t.Fatalf("still waiting, want %v", want)
	}
}

func TestAllBytesPassBothWays(t *testing.T) {
	far, p := openPort(t)
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	if n, err := p.Write(all); n != 256 || err != nil {
		t.Fatalf("write: %d, %v", n, err)
	}
	got := make([]byte, 256)
	if _, err := io.ReadFull(far, got); err != nil || !bytes.Equal(got, all) {
		t.Fatalf("far end got % x, %v", got, err)
	}
	if _, err := far.Write(all); err != nil {
		t.Fatal(err)
	}
	p.SetReadDeadline(time.Now().Add(soon))
	if _, err := io.ReadFull(p, got); err != nil || !bytes.Equal(got, all) {
		t.Fatalf("near end got % x, %v", got, err)
	}
}

func TestSettingsReachTheDevice(t *testing.T) {
	for _, baud := range []int{9600, 19200, 115200, 31250} { // 31250 is no standard rate
		_, device := openPTY(t)
		p, err := Open(Settings{Device: device, Baud: baud, StopBits: 2})
		if err != nil {
			t.Fatalf("%d: %v", baud, err)
		}
		got, err := unix.IoctlGetTermios(p.own, unix.TCGETS2)
		if err != nil || int(got.Ospeed) != baud || got.Cflag&unix.CSTOPB == 0 || got.Lflag&(unix.ICANON|unix.ECHO) != 0 {
			t.Errorf("%d: device has speed %d, flags %#x %#x, %v", baud, got.Ospeed, got.Cflag, got.Lflag, err)
		}
		p.Close()
	}
}

func TestBadSettingsAreRefused(t *testing.T) {
	for _, c := range []struct {
		set  Settings
		says string
	}{
		{Settings{}, "baud 0"},
		{Settings{Baud: 9600, DataBits: 9}, "9 data bits"},
		{Settings{Baud: 9600, Parity: "evn"}, `parity "evn"`},
		{Settings{Baud: 9600, StopBits: 3}, "3 stop bits"},
	} {
		if _, err := Open(c.set); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want it to say %q", c.set, err, c.says)
		}
	}
}

func TestSilenceIsADeadlineError(t *testing.T) {
	_, p := openPort(t)
	for _, d := range []time.Duration{0, time.Millisecond, 50 * time.Millisecond} {
		start := time.Now()
		p.SetReadDeadline(start.Add(d))
		n, err := p.Read(make([]byte, 8))
		if n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(start) < d {
			t.Errorf("%v: read %d, %v after %v", d, n, err, time.Since(start))
		}
	}
	within(t, "io.ReadFull on a silent line", func() {
		p.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
		if _, err := io.ReadFull(p, make([]byte, 8)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("io.ReadFull: %v", err)
		}
	})
}

// A deadline that passes while the call is on its way still takes what is there;
// one of long ago, which stops a reader, does not.
func TestReadJustAfterItsDeadline(t *testing.T) {
	far, p := openPort(t)
	if _, err := far.WriteString("here"); err != nil {
		t.Fatal(err)
	}
	for queued := 0; queued < 4; { // the kernel delivers through a worker
		queued, _ = unix.IoctlGetInt(p.own, unix.TIOCINQ)
	}
	b := make([]byte, 8)
	p.SetReadDeadline(time.Unix(1, 0))
	if n, err := p.Read(b); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("long after the deadline: %d, %v", n, err)
	}
	for range 1000 { // a busy computer may take longer than the grace
		p.SetReadDeadline(time.Now().Add(-grace / 2))
		if n, err := p.Read(b); err == nil && string(b[:n]) == "here" {
			return
		}
	}
	t.Error("just after the deadline what is there was never read")
}

func TestPastDeadlineStopsAWaitingRead(t *testing.T) {
	_, p := openPort(t)
	failed := readUntilError(p)
	time.Sleep(2 * slice) // so that the read is likely to wait in the kernel; it must end either way
	p.SetReadDeadline(time.Unix(1, 0))
	waitError(t, failed, os.ErrDeadlineExceeded)
}

func TestCloseStopsAWaitingRead(t *testing.T) {
	_, p := openPort(t)
	failed := readUntilError(p)
	within(t, "close", func() {
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	waitError(t, failed, os.ErrClosed)
	if err := p.Close(); err != nil {
		t.Errorf("second close: %v", err)
	}
	_, err := p.Write([]byte{1})
	for name, err := range map[string]error{"write": err, "reset": p.ResetInputBuffer(), "deadline": p.SetReadDeadline(time.Time{})} {
		if !errors.Is(err, os.ErrClosed) {
			t.Errorf("%s after close: %v", name, err)
		}
	}
}

// A read must never reach another file that took the closed port's number.
func TestCloseDoesNotRaceWithRead(t *testing.T) {
	for range 30 {
		_, p := openPort(t)
		read := make(chan int, 1)
		go func() {
			n, _ := p.Read(make([]byte, 64))
			read <- n
		}()
		closed := make(chan struct{})
		go func() { defer close(closed); p.Close() }()
		for running := true; running; {
			r, w, err := os.Pipe()
			if err != nil {
				t.Fatal(err)
			}
			w.WriteString("another file")
			select {
			case <-closed:
				running = false
			default:
			}
			r.Close()
			w.Close()
		}
		if n := <-read; n != 0 {
			t.Fatalf("read %d bytes of another file", n)
		}
	}
}

func TestUnplug(t *testing.T) {
	far, p := openPort(t)
	failed := readUntilError(p)
	far.Close()
	waitError(t, failed, ErrGone)
	if _, err := p.Read(make([]byte, 1)); !errors.Is(err, ErrGone) {
		t.Errorf("read after unplug: %v", err)
	}
	if _, err := p.Write([]byte{1}); !errors.Is(err, ErrGone) {
		t.Errorf("write after unplug: %v", err)
	}
	if err := p.ResetInputBuffer(); !errors.Is(err, ErrGone) {
		t.Errorf("reset after unplug: %v", err)
	}
	if err := p.Close(); err != nil {
		t.Errorf("close after unplug: %v", err)
	}
}

func TestOneOwner(t *testing.T) {
	_, p := openPort(t)
	again := Settings{Device: p.device, Baud: 9600}
	if _, err := Open(again); !errors.Is(err, ErrBusy) {
		t.Errorf("second open: %v", err)
	}
	if got, _ := unix.IoctlGetTermios(p.own, unix.TCGETS2); got.Ospeed != 19200 {
		t.Errorf("the refused open changed the line to %d baud", got.Ospeed)
	}
	p.Close()
	q, err := Open(again)
	if err != nil {
		t.Fatalf("open after close: %v", err)
	}
	q.Close()
}

// Root passes the exclusive mode of a terminal but not the lock.
func TestLockBindsOtherPrograms(t *testing.T) {
	_, p := openPort(t)
	other := exec.Command("flock", "--nonblock", "--conflict-exit-code", "9", p.device, "true")
	err := other.Run()
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("flock is not installed: apt-get install util-linux")
	}
	if code := other.ProcessState.ExitCode(); code != 9 {
		t.Errorf("another program's lock: exit code %d, want 9", code)
	}
}

func TestWhatIsNoPort(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		device string
		want   error
		says   string
	}{
		{"/dev/null", unix.ENOTTY, "not a serial port"},
		{file, unix.ENOTTY, "not a serial port"},
		{file + "-missing", os.ErrNotExist, "no such file"},
	} {
		_, err := Open(Settings{Device: c.device, Baud: 9600})
		if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) || strings.Count(err.Error(), c.device) != 1 {
			t.Errorf("%s: %v", c.device, err)
		}
	}
}

func TestWriteToAFullLineEnds(t *testing.T) {
	_, p := openPort(t)
	p.baud = 4_000_000 // so that its time on the wire is short
	within(t, "write", func() {
		n, err := p.Write(make([]byte, 64*1024))
		if !errors.Is(err, ErrGone) || n == 0 || n == 64*1024 {
			t.Errorf("write to a line that nobody reads: %d, %v", n, err)
		}
	})
	within(t, "close", func() {
		if err := p.Close(); err != nil {
			t.Errorf("close with unsent bytes: %v", err)
		}
	})
}

func TestCloseStopsAWaitingWrite(t *testing.T) {
	_, p := openPort(t)
	p.baud = 1 // so that its time on the wire is hours
	failed := make(chan error, 1)
	go func() {
		_, err := p.Write(make([]byte, 64*1024))
		failed <- err
	}()
	time.Sleep(2 * slice) // so that the write is likely to wait; it must end either way
	within(t, "close", func() { p.Close() })
	waitError(t, failed, os.ErrClosed)
}

func TestResetInputBufferDropsWhatCame(t *testing.T) {
	far, p := openPort(t)
	if _, err := far.WriteString("stale"); err != nil {
		t.Fatal(err)
	}
	for queued := 0; queued < 5; { // the kernel delivers through a worker
		queued, _ = unix.IoctlGetInt(p.own, unix.TIOCINQ)
	}
	if err := p.ResetInputBuffer(); err != nil {
		t.Fatal(err)
	}
	if _, err := far.WriteString("new"); err != nil {
		t.Fatal(err)
	}
	p.SetReadDeadline(time.Now().Add(soon))
	b := make([]byte, 3)
	if _, err := io.ReadFull(p, b); err != nil || string(b) != "new" {
		t.Errorf("read %q, %v", b, err)
	}
}

// A child that inherits the port keeps its name in use after an unplug.
func TestChildrenDoNotInheritThePort(t *testing.T) {
	before := inheritable()
	_, p := openPort(t)
	out, err := exec.Command("ls", "-l", "/proc/self/fd").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if strings.Contains(string(out), p.device) {
		t.Errorf("the child has the port:\n%s", out)
	}
	for fd := range inheritable() {
		if fd > 2 && libraryOpened(fd, p.own) && !before[fd] {
			t.Errorf("descriptor %d of the library is not closed on exec", fd)
		}
	}
}

// The library's select panics above 1023; we must refuse instead. The
// descriptors are used up so that the port's own comes before the limit and the
// library's after it, and then so that ours is beyond it too.
func TestTooManyOpenFilesAreRefused(t *testing.T) {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil || limit.Max < 1200 {
		t.Skip("needs a limit of 1200 open files: ulimit -n 1200")
	}
	old := limit
	limit.Cur = 1200
	if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		t.Fatal(err)
	}
	defer unix.Setrlimit(unix.RLIMIT_NOFILE, &old)
	_, device := openPTY(t)
	low, err := unix.Open("/dev/null", unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	for last := low; last < 1100; {
		if last, err = unix.Open("/dev/null", unix.O_RDONLY|unix.O_CLOEXEC, 0); err != nil {
			t.Fatal(err)
		}
		defer unix.Close(last)
	}
	for _, where := range []string{"all above the limit", "the library's above the limit"} {
		_, err := Open(Settings{Device: device, Baud: 9600})
		if err == nil || !strings.Contains(err.Error(), "too many files are open") {
			t.Errorf("%s: %v", where, err)
		}
		if where == "all above the limit" {
			unix.Close(low) // the next open gets this number
		}
	}
}

func TestLatency(t *testing.T) {
	_, p := openPort(t)
	if got := p.Latency(); got.Low.Known || got.Timer.Known { // a pseudo-terminal has neither
		t.Errorf("latency of a pseudo-terminal: %+v", got)
	}
	sys := t.TempDir()
	dir := filepath.Join(sys, "class/tty", filepath.Base(p.device), "device")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "usb-adapter-port0")
	if err := os.Symlink(p.device, link); err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]peak.Maybe[time.Duration]{
		"16\n": peak.Known(16 * time.Millisecond), "1\n": peak.Known(time.Millisecond), "": {}, "x": {}, "-1": {},
	} {
		if err := os.WriteFile(filepath.Join(dir, "latency_timer"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := latencyTimer(sys, link); got != want {
			t.Errorf("latency_timer %q: %+v, want %+v", text, got, want)
		}
	}
}

func BenchmarkRoundTrip(b *testing.B) {
	far, p := openPort(b)
	go io.Copy(far, far)
	request, answer := make([]byte, 8), make([]byte, 8)
	for b.Loop() {
		p.SetReadDeadline(time.Now().Add(time.Second))
		if _, err := p.Write(request); err != nil {
			b.Fatal(err)
		}
		if _, err := io.ReadFull(p, answer); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleOpen() {
	_, err := Open(Settings{Device: "/dev/serial/by-id/usb-adapter-port0", Baud: 19200, Parity: EvenParity})
	fmt.Println(errors.Is(err, os.ErrNotExist))
	// Output: true
}
