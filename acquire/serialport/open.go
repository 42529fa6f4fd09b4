package serialport

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"syscall"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// ErrBusy says that another program, or another line of ours, has the port.
var ErrBusy = errors.New("serial port is in use")

// highestDescriptor is the last one that the library's select(2) can watch;
// above it a read would panic.
const highestDescriptor = unix.FD_SETSIZE - 1

// spareDescriptors are kept free for those the library opens after ours.
const spareDescriptors = 24

// Open opens a port for us alone. A missing device is an error for which
// errors.Is(err, os.ErrNotExist) holds; a port in use is [ErrBusy]; one we may
// not use is os.ErrPermission.
func Open(s Settings) (*Port, error) {
	mode, err := s.mode()
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", s.Device, err)
	}
	own, err := openOwn(s.Device)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: s.Device, Err: err}
	}
	low := setLowLatency(own) // before the library opens, whose set-up the driver then sees
	lib, err := openLibrary(s.Device, mode, own)
	if err != nil {
		unix.Close(own)
		return nil, fmt.Errorf("open %s: %w", s.Device, err)
	}
	return &Port{
		device:  s.Device,
		baud:    s.Baud,
		lib:     lib,
		own:     own,
		latency: Latency{Low: low, Timer: latencyTimer("/sys", s.Device)},
	}, nil
}

// openOwn opens a descriptor of our own on the device and locks it. The
// exclusive mode of a terminal does not bind root, so the lock is what keeps
// two daemons apart; the same descriptor serves for what the library cannot do.
func openOwn(device string) (int, error) {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if errors.Is(err, unix.EBUSY) {
		return 0, ErrBusy
	}
	if err != nil {
		return 0, err
	}
	if err := checkOwn(fd); err != nil {
		unix.Close(fd)
		return 0, err
	}
	return fd, nil
}

func checkOwn(fd int) error {
	if fd > highestDescriptor-spareDescriptors {
		return tooManyOpen(fd)
	}
	if _, err := unix.IoctlGetTermios(fd, unix.TCGETS); err != nil {
		return fmt.Errorf("not a serial port: %w", err)
	}
	err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return ErrBusy
	}
	return err
}

// openLibrary opens the port through the library. No child process may start
// before the library's descriptors are closed on exec: a child that inherits one
// keeps the device name taken after an unplug.
func openLibrary(device string, mode *serial.Mode, own int) (serial.Port, error) {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	before := inheritable()
	lib, err := serial.Open(device, mode)
	if err != nil {
		return nil, openError(err)
	}
	if highest := closeOnExec(before, own); highest > highestDescriptor {
		lib.Close()
		return nil, tooManyOpen(highest)
	}
	return lib, nil
}

func tooManyOpen(fd int) error {
	return fmt.Errorf("descriptor %d is beyond the %d that a serial port can use: too many files are open", fd, highestDescriptor)
}

func openError(err error) error {
	var pe *serial.PortError
	if !errors.As(err, &pe) {
		return err
	}
	switch pe.Code() {
	case serial.PortBusy:
		return ErrBusy
	case serial.PermissionDenied:
		return os.ErrPermission
	}
	return err
}

// inheritable lists the descriptors of this process that a child would
// inherit; none if the kernel does not show them.
func inheritable() map[int]bool {
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return nil
	}
	fds := make(map[int]bool)
	for _, e := range entries {
		fd, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFD, 0) // fails for the listing's own
		if err == nil && flags&unix.FD_CLOEXEC == 0 {
			fds[fd] = true
		}
	}
	return fds
}

// closeOnExec marks what the library has opened since the list before: what a
// child would inherit, as it does nothing that Go opens, and is the same device
// as own or a pipe. It returns the highest of them.
func closeOnExec(before map[int]bool, own int) (highest int) {
	for fd := range inheritable() {
		if !before[fd] && libraryOpened(fd, own) {
			unix.CloseOnExec(fd)
			highest = max(highest, fd)
		}
	}
	return highest
}

func libraryOpened(fd, own int) bool {
	var st, ours unix.Stat_t
	if unix.Fstat(fd, &st) != nil || unix.Fstat(own, &ours) != nil {
		return false
	}
	return st.Mode&unix.S_IFMT == unix.S_IFIFO || st.Rdev == ours.Rdev && st.Mode&unix.S_IFMT == unix.S_IFCHR
}
