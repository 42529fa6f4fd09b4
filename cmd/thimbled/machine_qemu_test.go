package main_test

import (
	"archive/tar"
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"thimbled/acquire/modbus"
)

// bootPatience is how long the emulated computer may take to start, on a computer
// that has other things to do.
const bootPatience = 4 * time.Minute

// workPatience is how long what takes a moment may take there.
const workPatience = time.Minute

// machine is a computer of its own, emulated by qemu, with systemd on it and one
// adapter for a serial line.
type machine struct {
	t       *testing.T
	dir     string
	image   string // folder that systemd/machine/build filled
	forward []string
	screen  *lockedBuffer
	// While it is switched on:
	emulator *program
	asked    net.Conn // a shell's input, and what it
	says     *bufio.Reader
	force    atomic.Uint32 // in newtons, what the indicator behind the adapter says
}

// newMachine makes the computer. It hears on the given addresses of this one, under
// their port numbers, and finds the files as a tape that tar(1) reads in its second disk.
func newMachine(t *testing.T, files map[string]string, forward ...string) *machine {
	t.Helper()
	image := os.Getenv("THIMBLED_MACHINE")
	if image == "" {
		t.Skip("no computer to try the service on: systemd/machine/build FOLDER makes one, THIMBLED_MACHINE=FOLDER says where it is")
	}
	for program, name := range map[string]string{"qemu-system-x86_64": "qemu-system-x86", "qemu-img": "qemu-utils"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skipf("%s is missing: apt-get install %s", program, name)
		}
	}
	m := &machine{t: t, dir: t.TempDir(), image: image, forward: forward, screen: &lockedBuffer{}}
	m.tape(files)
	disk, err := filepath.Abs(filepath.Join(image, "disk"))
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", disk, m.path("disk")).CombinedOutput(); err != nil {
		t.Fatalf("qemu-img: %v: %s", err, out)
	}
	t.Cleanup(func() {
		m.cutPower()
		if t.Failed() {
			t.Logf("the computer's screen:\n%s", m.screen)
		}
	})
	return m
}

func (m *machine) path(name string) string { return filepath.Join(m.dir, name) }

// tape writes files, named by their place there, one after another.
func (m *machine) tape(files map[string]string) {
	m.t.Helper()
	f, err := os.Create(m.path("tape"))
	if err != nil {
		m.t.Fatal(err)
	}
	defer f.Close()
	w := tar.NewWriter(f)
	for name, from := range files {
		text, err := os.ReadFile(from)
		if err == nil {
			err = w.WriteHeader(&tar.Header{Name: name, Mode: 0o755, Size: int64(len(text)), Typeflag: tar.TypeReg})
		}
		if err == nil {
			_, err = w.Write(text)
		}
		if err != nil {
			m.t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		m.t.Fatal(err)
	}
}

// boot switches the computer on and waits for its shell.
func (m *machine) boot() {
	m.t.Helper()
	network := "user,model=virtio-net-pci"
	for _, address := range m.forward {
		_, port, _ := net.SplitHostPort(address)
		network += fmt.Sprintf(",hostfwd=tcp:%s-:%s", address, port)
	}
	command := exec.Command("qemu-system-x86_64",
		"-accel", "tcg", "-cpu", "max", "-smp", "2", "-m", "768", "-nodefaults", "-display", "none", "-no-reboot",
		"-kernel", filepath.Join(m.image, "kernel"), "-initrd", filepath.Join(m.image, "initrd"),
		"-append", "root=/dev/vda rw console=ttyS0 quiet mitigations=off",
		"-drive", "if=virtio,format=qcow2,file="+m.path("disk"), "-drive", "if=virtio,format=raw,readonly=on,file="+m.path("tape"),
		"-nic", network, "-serial", "stdio", "-monitor", "unix:"+m.path("monitor")+",server=on,wait=off",
		"-device", "virtio-serial", "-chardev", "socket,id=asked,server=on,wait=off,path="+m.path("asked"),
		"-device", "virtserialport,chardev=asked,name=asked",
		"-device", "qemu-xhci", "-chardev", "socket,id=cell,server=on,wait=off,path="+m.path("cell"), "-device", adapter)
	m.emulator = &program{command: command, out: m.screen}
	command.Stdout, command.Stderr = m.screen, m.screen
	if err := command.Start(); err != nil {
		m.t.Fatal(err)
	}
	m.asked = m.socket("asked")
	m.says = bufio.NewReader(m.asked)
	go m.indicator(m.socket("cell"))
	m.asked.SetReadDeadline(time.Now().Add(bootPatience))
	for line := ""; line != "up\n"; {
		var err error
		if line, err = m.says.ReadString('\n'); err != nil {
			m.t.Fatalf("the computer does not start: %v", err)
		}
	}
}

// adapter is one for a serial line on USB, of a kind that Linux has a driver for.
const adapter = "usb-serial,id=adapter,chardev=cell,serial=cell"

// socket connects to one of the emulator's.
func (m *machine) socket(name string) (conn net.Conn) {
	m.t.Helper()
	until(m.t, "the emulator's "+name, func() bool {
		var err error
		conn, err = net.Dial("unix", m.path(name))
		return err == nil
	})
	return conn
}

// cutPower ends the computer as a power cut does: what its disk has not got is gone.
func (m *machine) cutPower() {
	if m.emulator != nil {
		m.emulator.kill()
		m.asked.Close()
		m.emulator = nil
	}
}

// monitor tells the emulator what happens to the computer.
func (m *machine) monitor(command string) {
	m.t.Helper()
	conn := m.socket("monitor")
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(patience))
	in := bufio.NewReader(conn)
	if _, err := in.ReadString(')'); err != nil { // the prompt is (qemu)
		m.t.Fatal(err)
	}
	if _, err := fmt.Fprintln(conn, command); err != nil {
		m.t.Fatal(err)
	}
	if said, err := in.ReadString(')'); err != nil || strings.Contains(said, "Error") {
		m.t.Fatalf("%s: %v: %s", command, err, said)
	}
}

// try has a shell on the computer run a command, as root.
func (m *machine) try(command string) (status int, out string) {
	m.t.Helper()
	m.asked.SetDeadline(time.Now().Add(bootPatience))
	if _, err := fmt.Fprintln(m.asked, command); err != nil {
		m.t.Fatal(err)
	}
	var all strings.Builder
	for {
		line, err := m.says.ReadString('\n')
		if err != nil {
			m.t.Fatalf("%s: %v: %s", command, err, all.String())
		}
		// What the command printed need not end with a line.
		before, digits, ended := strings.Cut(strings.TrimSuffix(line, "\n"), "ended ")
		if status, err := strconv.Atoi(digits); ended && err == nil {
			return status, all.String() + before
		}
		all.WriteString(line)
	}
}

// do is try where the command must succeed.
func (m *machine) do(command string) string {
	m.t.Helper()
	status, out := m.try(command)
	if status != 0 {
		_, log := m.try("journalctl --no-pager -n 30 -u thimbled")
		m.t.Fatalf("%s ends with %d:\n%s\nthe service's log:\n%s", command, status, out, log)
	}
	return out
}

// indicator answers on the serial line: Modbus RTU, the force in the first two
// input registers.
func (m *machine) indicator(conn net.Conn) {
	defer conn.Close()
	request := make([]byte, 8)
	for have := 0; ; {
		n, err := io.ReadAtLeast(conn, request[have:], len(request)-have)
		if err != nil {
			return
		}
		have += n
		unit, _, err := modbus.CheckRTU(request)
		if err != nil { // out of step
			have = copy(request, request[1:])
			continue
		}
		have = 0
		force := m.force.Load()
		pdu := []byte{byte(modbus.Input), 4, byte(force >> 24), byte(force >> 16), byte(force >> 8), byte(force)}
		if _, err := conn.Write(modbus.AppendRTU(nil, unit, pdu)); err != nil {
			return
		}
	}
}
