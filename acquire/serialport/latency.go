package serialport

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"thimbled/peak"
)

// Latency says how long the adapter may keep bytes back before it delivers
// them. Some USB adapters wait 16 ms by default, most of a 20 ms cycle.
type Latency struct {
	// Low says whether the driver's low-latency mode is on; unknown when the
	// driver has none.
	Low peak.Maybe[bool]
	// Timer is the adapter's own waiting time; unknown when it shows none.
	Timer peak.Maybe[time.Duration]
}

// Latency tells what Open could find out and set.
func (p *Port) Latency() Latency { return p.latency }

// asyncLowLatency is ASYNC_LOW_LATENCY of Linux's uapi/linux/tty_flags.h.
const asyncLowLatency = 1 << 13

// serialStruct is the head of struct serial_struct of uapi/linux/serial.h. The
// rest is longer than the kernel's on every machine, so that the kernel never
// writes past it.
type serialStruct struct {
	kind, line, port, irq, flags int32
	rest                         [27]int64
}

// setLowLatency asks the driver for low latency, which needs no privilege, and
// reads back what it made of that.
func setLowLatency(fd int) peak.Maybe[bool] {
	var s serialStruct
	if serialIoctl(fd, unix.TIOCGSERIAL, &s) != nil {
		return peak.Maybe[bool]{}
	}
	if s.flags&asyncLowLatency == 0 {
		s.flags |= asyncLowLatency
		_ = serialIoctl(fd, unix.TIOCSSERIAL, &s) // a refusal shows in the read-back
		if serialIoctl(fd, unix.TIOCGSERIAL, &s) != nil {
			return peak.Maybe[bool]{}
		}
	}
	return peak.Known(s.flags&asyncLowLatency != 0)
}

func serialIoctl(fd int, request uint, s *serialStruct) error {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(unsafe.Pointer(s)))
	if errno != 0 {
		return errno
	}
	return nil
}

// latencyTimer reads the attribute latency_timer of a USB adapter below sysfs,
// which is in milliseconds.
func latencyTimer(sysfs, device string) peak.Maybe[time.Duration] {
	real, err := filepath.EvalSymlinks(device)
	if err != nil {
		return peak.Maybe[time.Duration]{}
	}
	text, err := os.ReadFile(filepath.Join(sysfs, "class/tty", filepath.Base(real), "device/latency_timer"))
	if err != nil {
		return peak.Maybe[time.Duration]{}
	}
	ms, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || ms < 0 {
		return peak.Maybe[time.Duration]{}
	}
	return peak.Known(time.Duration(ms) * time.Millisecond)
}
