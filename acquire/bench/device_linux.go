package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
	"time"
	"unsafe"

	"github.com/creack/pty"
)

// uartDepth is how many bytes a device holds that no program reads; more than
// that and all are lost, as in a UART that is not served.
const uartDepth = 2048

// device is a pseudo-terminal in raw mode with a stable name: a link to
// wherever the kernel put it, so that a client finds it again after it was
// pulled out. The other side is kept open here, so that clients may come and
// go without the terminal falling back to echoing.
type device struct {
	master, slave *os.File
	link          string
}

// openDevice makes a pseudo-terminal and the link to it. A link that is there
// is replaced, any other file is not.
func openDevice(link string) (*device, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("open pseudo-terminal: %w", err)
	}
	d := &device{master: master, slave: slave, link: link}
	if err := errors.Join(makeRaw(slave), makePollable(slave), makePollable(master), d.makeLink()); err != nil {
		master.Close()
		slave.Close()
		return nil, fmt.Errorf("open pseudo-terminal: %w", err)
	}
	return d, nil
}

func (d *device) Read(p []byte) (int, error)        { return d.master.Read(p) }
func (d *device) SetReadDeadline(t time.Time) error { return d.master.SetReadDeadline(t) }

// SetWriteDeadline does nothing: a Write does not wait for the client.
func (d *device) SetWriteDeadline(time.Time) error { return nil }

// Write sends bytes to whoever has the device open, and loses what nobody
// reads.
func (d *device) Write(p []byte) (int, error) {
	if err := d.limitUnread(len(p)); err != nil {
		return 0, err
	}
	sent := 0
	for {
		if err := d.master.SetWriteDeadline(time.Now().Add(clog)); err != nil {
			return sent, err
		}
		n, err := d.master.Write(p[sent:])
		sent += n
		if !errors.Is(err, os.ErrDeadlineExceeded) {
			return sent, err
		}
		if err := d.overrun(); err != nil {
			return sent, err
		}
	}
}

// clog is how long a device may take no more bytes before the unread ones are
// lost: what is on its way through the kernel cannot be counted.
const clog = 20 * time.Millisecond

// limitUnread makes room for more bytes in a device that is not read.
func (d *device) limitUnread(more int) error {
	var unread int32
	if err := control(d.slave, syscall.TIOCINQ, unsafe.Pointer(&unread)); err != nil {
		return err
	}
	if int(unread)+more <= uartDepth {
		return nil
	}
	return d.overrun()
}

// overrun throws away what no client has read, by reading it here.
func (d *device) overrun() error {
	lost := make([]byte, 4096) // all that a terminal holds
	return onDescriptor(d.slave, func(fd uintptr) error {
		if _, err := syscall.Read(int(fd), lost); err != nil && err != syscall.EAGAIN {
			return err
		}
		return nil
	})
}

// Close takes the link away and hangs up.
func (d *device) Close() error {
	if target, err := os.Readlink(d.link); err == nil && target == d.slave.Name() {
		os.Remove(d.link)
	}
	return errors.Join(d.master.Close(), d.slave.Close())
}

func (d *device) makeLink() error {
	info, err := os.Lstat(d.link)
	if err == nil && info.Mode()&fs.ModeSymlink == 0 {
		return fmt.Errorf("%s is there already", d.link)
	}
	next := d.link + ".next"
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.Symlink(d.slave.Name(), next); err != nil {
		return err
	}
	return os.Rename(next, d.link)
}

// makeRaw lets every byte pass as it is, at 19200 8N1 until a client says
// otherwise.
func makeRaw(tty *os.File) error {
	var mode syscall.Termios
	if err := control(tty, syscall.TCGETS, unsafe.Pointer(&mode)); err != nil {
		return fmt.Errorf("read terminal mode: %w", err)
	}
	mode.Iflag, mode.Oflag, mode.Lflag = 0, 0, 0
	mode.Cflag = syscall.CS8 | syscall.CREAD | syscall.CLOCAL | syscall.B19200
	mode.Cc[syscall.VMIN], mode.Cc[syscall.VTIME] = 1, 0
	if err := control(tty, syscall.TCSETS, unsafe.Pointer(&mode)); err != nil {
		return fmt.Errorf("set terminal mode: %w", err)
	}
	return nil
}

// makePollable undoes what opening a pseudo-terminal does to its files, so that
// deadlines and Close end a Read that waits.
func makePollable(f *os.File) error {
	return onDescriptor(f, func(fd uintptr) error { return syscall.SetNonblock(int(fd), true) })
}

func control(f *os.File, request uintptr, argument unsafe.Pointer) error {
	return onDescriptor(f, func(fd uintptr) error {
		_, _, errno := syscall.Syscall(syscall.SYS_IOCTL, fd, request, uintptr(argument))
		if errno != 0 {
			return errno
		}
		return nil
	})
}

// onDescriptor does something with the descriptor while it is sure to be open.
func onDescriptor(f *os.File, do func(fd uintptr) error) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = raw.Control(func(fd uintptr) { failed = do(fd) })
	return errors.Join(err, failed)
}

// sleepFinely sleeps a short while with the system's own precision.
func sleepFinely(d time.Duration) {
	const wake = 60 * time.Microsecond // what waking a thread takes
	if d > wake {
		short := syscall.NsecToTimespec(int64(d - wake))
		_ = syscall.Nanosleep(&short, nil) // cut short by a signal, a byte is early
	}
}
