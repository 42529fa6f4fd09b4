package serialport

import (
	"fmt"
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// openPTY makes a pseudo-terminal: the far end of a serial line, and the path of
// the device that a program opens.
func openPTY(t testing.TB) (far *os.File, device string) {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatalf("open pseudo-terminal: %v", err)
	}
	t.Cleanup(func() { far.Close() })
	raw, err := far.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	number := 0
	var ioctlErr error
	err = raw.Control(func(fd uintptr) {
		if ioctlErr = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); ioctlErr == nil {
			number, ioctlErr = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	})
	if err != nil || ioctlErr != nil {
		t.Fatalf("unlock pseudo-terminal: %v %v", err, ioctlErr)
	}
	return far, fmt.Sprintf("/dev/pts/%d", number)
}

// openPort opens the near end of a new pseudo-terminal.
func openPort(t testing.TB) (far *os.File, p *Port) {
	t.Helper()
	far, device := openPTY(t)
	p, err := Open(Settings{Device: device, Baud: 19200, Parity: EvenParity})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return far, p
}
