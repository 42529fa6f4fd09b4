package bench

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unsafe"
)

// served runs the line until the test ends, and checks that it ends well.
func served(t *testing.T, l *Line) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.Serve(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serve: %v", err)
		}
	})
}

// openTTY opens a serial device as a program would that knows nothing of
// pseudo-terminals, but leaves its mode alone.
func openTTY(t *testing.T, path string) *os.File {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// patience is for answers that will come; it only ever passes in a failure.
const patience = 10 * time.Second

type wire interface {
	Write([]byte) (int, error)
	Read([]byte) (int, error)
	SetReadDeadline(time.Time) error
}

// exchange sends a request and reads an answer as long as want.
func exchange(t *testing.T, w wire, ask, want []byte) {
	t.Helper()
	if _, err := w.Write(ask); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, len(want))
	w.SetReadDeadline(time.Now().Add(patience))
	for n := 0; n < len(got); {
		k, err := w.Read(got[n:])
		if err != nil {
			t.Fatalf("answer % X, then %v", got[:n], err)
		}
		n += k
	}
	if !bytes.Equal(got, want) {
		t.Errorf("answer % X, want % X", got, want)
	}
}

func exchangeLoad(t *testing.T, w wire) {
	t.Helper()
	exchange(t, w, appendCRC(unhex(t, askLoad)), appendCRC(unhex(t, loadReply)))
}

// gone waits until nothing is at path.
func gone(t *testing.T, path string) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			return
		}
	}
	t.Fatalf("%s is still there", path)
}

// arrived waits until something is at path.
func arrived(t *testing.T, path string) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if _, err := os.Stat(path); err == nil {
			return
		}
	}
	t.Fatalf("%s did not come", path)
}

func TestClientsOfADeviceComeAndGo(t *testing.T) {
	link := filepath.Join(t.TempDir(), "rs485")
	l := steady(t, LineSettings{Kind: RTU, Device: link})
	served(t, l)
	if l.Address() != link {
		t.Errorf("address %s, want %s", l.Address(), link)
	}
	for range 3 {
		f := openTTY(t, link)
		exchangeLoad(t, f)
		f.Close()
	}
}

// Nothing is echoed, translated or kept back, before a client sets any mode.
func TestDevicePassesEveryByte(t *testing.T) {
	d, err := openDevice(filepath.Join(t.TempDir(), "tty"))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	f := openTTY(t, d.slave.Name())
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	for _, way := range []struct{ from, to wire }{{f, d}, {d, f}} {
		if _, err := way.from.Write(all); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 0, 512)
		way.to.SetReadDeadline(time.Now().Add(patience))
		for len(got) < len(all) {
			n, err := way.to.Read(got[len(got):cap(got)])
			if err != nil {
				t.Fatalf("%d bytes passed, then %v", len(got), err)
			}
			got = got[:len(got)+n]
		}
		if !bytes.Equal(got, all) {
			t.Errorf("% X passed", got)
		}
	}
}

// An unplugged device is gone with its name; when it is back, it is found
// under the same name.
func TestDeviceIsUnpluggedAndReplugged(t *testing.T) {
	link := filepath.Join(t.TempDir(), "rs485")
	l := steady(t, LineSettings{Kind: RTU, Device: link})
	served(t, l)
	for range 2 {
		f := openTTY(t, link)
		exchangeLoad(t, f)
		inject(t, l, Injection{Fault: Unplug, Takes: 30 * time.Millisecond})
		f.Write(appendCRC(unhex(t, askLoad)))
		f.SetReadDeadline(time.Now().Add(patience))
		n, err := f.Read(make([]byte, 16))
		if n != 0 || err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("an unplugged device gave %d bytes, %v", n, err)
		}
		arrived(t, link)
		back := openTTY(t, link)
		exchangeLoad(t, back)
		back.Close()
		f.Close()
	}
}

// A device that cannot be put back ends the whole bench, and says why.
func TestBenchEndsWithItsLine(t *testing.T) {
	link := filepath.Join(t.TempDir(), "rs485")
	b, err := New(Settings{Lines: []LineSettings{
		{Name: "serial", Kind: RTU, Device: link},
		{Name: "net", Kind: TCP, Address: "127.0.0.1:0"},
	}})
	if err != nil {
		t.Fatal(err)
	}
	// Something that cannot be moved lies where the next link is prepared.
	if err := os.MkdirAll(filepath.Join(link+".next", "mine"), 0o700); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- b.Serve(t.Context()) }()
	if err := b.Inject(Injection{Fault: Unplug, Takes: time.Millisecond}); err != nil {
		t.Fatal(err)
	}
	openTTY(t, link).Write(appendCRC(unhex(t, askLoad)))
	select {
	case err = <-ended:
		if err == nil || !strings.HasPrefix(err.Error(), "line serial: ") || !errors.Is(err, syscall.ENOTEMPTY) {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(patience):
		t.Fatal("the bench goes on without its line")
	}
	if b.Faults().Spoilt()[Unplug] != 1 {
		t.Error("nothing was unplugged")
	}
}

func TestDeviceIsCleanedUp(t *testing.T) {
	link := filepath.Join(t.TempDir(), "rs485")
	ctx, cancel := context.WithCancel(context.Background())
	l := steady(t, LineSettings{Kind: RTU, Device: link})
	ended := make(chan error, 1)
	go func() { ended <- l.Serve(ctx) }()
	f := openTTY(t, link)
	exchangeLoad(t, f)
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	gone(t, link)
}

func TestDeviceTakesOverALinkButNoFile(t *testing.T) {
	dir := t.TempDir()
	link := filepath.Join(dir, "rs485")
	if err := os.Symlink("/nowhere", link); err != nil {
		t.Fatal(err)
	}
	d, err := openDevice(link)
	if err != nil {
		t.Fatal(err)
	}
	if target, _ := os.Readlink(link); target != d.slave.Name() {
		t.Errorf("the link leads to %s", target)
	}
	d.Close()
	file := filepath.Join(dir, "notes")
	if err := os.WriteFile(file, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if d, err := openDevice(file); err == nil {
		d.Close()
		t.Error("a file was replaced by a device")
	}
	if kept, _ := os.ReadFile(file); string(kept) != "mine" {
		t.Errorf("the file now holds %q", kept)
	}
	if left, _ := os.ReadDir(dir); len(left) != 1 {
		t.Errorf("%d files are left, want 1", len(left))
	}
}

// A device that nobody reads does not block the instruments, however fast they
// are.
func TestUnreadDeviceDoesNotBlock(t *testing.T) {
	d, err := openDevice(filepath.Join(t.TempDir(), "tty"))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	line := bytes.Repeat([]byte("x"), 100)
	for range 1000 {
		if n, err := d.Write(line); n != len(line) || err != nil {
			t.Fatalf("%d bytes, %v", n, err)
		}
	}
}

// And it keeps no more than a UART would.
func TestUnreadDeviceOverruns(t *testing.T) {
	d, err := openDevice(filepath.Join(t.TempDir(), "tty"))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	unread := func() (n int32) {
		if err := control(d.slave, syscall.TIOCINQ, unsafe.Pointer(&n)); err != nil {
			t.Fatal(err)
		}
		return n
	}
	const size = 100
	want := int32(0)
	for range 50 { // of which 20 fit
		if want += size; want > uartDepth {
			want = size
		}
		if _, err := d.Write(make([]byte, size)); err != nil {
			t.Fatal(err)
		}
		for end := time.Now().Add(patience); unread() != want; {
			if time.Now().After(end) {
				t.Fatalf("%d bytes are unread, want %d", unread(), want)
			}
		}
	}
}

func TestTextOnADevice(t *testing.T) {
	link := filepath.Join(t.TempDir(), "indicator")
	l := steady(t, LineSettings{Kind: Text, Device: link, Print: Printing{OnDemand: true}})
	served(t, l)
	f := openTTY(t, link)
	exchange(t, f, []byte("?"), []byte(printedLoad))
}
