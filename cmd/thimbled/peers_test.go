package main_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// peerPatience is how long a peer may take to do what it was told. It is long
// because a busy machine is slow; nothing waits for it to pass.
const peerPatience = 20 * time.Second

// systemPython is the interpreter that Debian's Python packages belong to.
const systemPython = "/usr/bin/python3"

// peer is a Modbus server in a process of its own, built on somebody else's
// library; see testdata/interop/README.md. When the test ends the peer must not
// have been asked for anything but reading.
type peer struct {
	place   string // host:port or a device, for our client
	command *exec.Cmd
	stdin   io.WriteCloser
	answers chan string
	said    *lockedBuffer // what it wrote to standard error
}

// libmodbusTCP starts a libmodbus server on a free port of this machine.
func libmodbusTCP(t testing.TB) *peer {
	t.Helper()
	return startPeer(t, buildMbpeer(t), "tcp", "0", peerFile(t, "registers.csv"))
}

// libmodbusRTU starts a libmodbus server on a pseudo-terminal of its own.
func libmodbusRTU(t testing.TB, unit int) *peer {
	t.Helper()
	return startPeer(t, buildMbpeer(t), "rtu-pty", strconv.Itoa(unit), peerFile(t, "registers.csv"))
}

// pymodbusTCP starts a pymodbus server on a free port of this machine.
func pymodbusTCP(t testing.TB) *peer {
	t.Helper()
	needPymodbus(t)
	return startPeer(t, systemPython, peerFile(t, "pyslave.py"), "tcp", "0", peerFile(t, "registers.csv"))
}

// pymodbusRTU starts a pymodbus server on one end of a pair of pseudo-terminals.
func pymodbusRTU(t testing.TB, unit int) *peer {
	t.Helper()
	needPymodbus(t)
	theirs, ours := ptyPair(t)
	p := startPeer(t, systemPython, peerFile(t, "pyslave.py"), "rtu", theirs, strconv.Itoa(unit), peerFile(t, "registers.csv"))
	p.place = ours
	return p
}

// set puts words into registers from address at, all between two requests. The
// table is "input" or "holding".
func (p *peer) set(t testing.TB, table string, at int, words ...uint16) {
	t.Helper()
	line := fmt.Sprintf("%s %d", table, at)
	for _, word := range words {
		line += fmt.Sprintf(" %04x", word)
	}
	if answer := p.tell(t, line); answer != "done" {
		t.Fatalf("peer was told %q and said %q", line, answer)
	}
}

// functions returns how often the peer was asked, by function code, and how many
// frames it could not read.
func (p *peer) functions(t testing.TB) (asked map[int]int, broken int) {
	t.Helper()
	answer := p.tell(t, "functions")
	fields := strings.Fields(answer)
	if len(fields) < 2 || fields[0] != "functions" {
		t.Fatalf("peer said %q about its functions", answer)
	}
	asked = map[int]int{}
	for _, field := range fields[1:] {
		name, number, _ := strings.Cut(field, ":")
		count, err := strconv.Atoi(number)
		if err != nil {
			t.Fatalf("peer said %q about its functions", answer)
		}
		if code, err := strconv.Atoi(name); err == nil {
			asked[code] = count
		} else {
			broken = count
		}
	}
	return asked, broken
}

// end ends the peer after a look at what it was asked for.
func (p *peer) end(t testing.TB) {
	asked, _ := p.functions(t)
	for code, count := range asked {
		if code < 1 || code > 4 {
			t.Errorf("peer was asked %d times for function %d, which does not read", count, code)
		}
	}
	p.stdin.Close()
	kill := time.AfterFunc(peerPatience, func() { p.command.Process.Kill() })
	defer kill.Stop()
	if err := p.command.Wait(); err != nil {
		t.Errorf("peer ended with %v: %s", err, p.said)
	}
	if t.Failed() {
		t.Logf("peer said: %s", p.said)
	}
}

func (p *peer) tell(t testing.TB, line string) string {
	t.Helper()
	if _, err := fmt.Fprintln(p.stdin, line); err != nil {
		t.Fatalf("tell peer %q: %v: %s", line, err, p.said)
	}
	return p.answer(t)
}

func (p *peer) answer(t testing.TB) string {
	t.Helper()
	select {
	case line, ok := <-p.answers:
		if !ok {
			t.Fatalf("peer is gone: %s", p.said)
		}
		return line
	case <-time.After(peerPatience):
		t.Fatalf("peer is silent: %s", p.said)
		return ""
	}
}

func startPeer(t testing.TB, name string, args ...string) *peer {
	t.Helper()
	p := &peer{command: exec.Command(name, args...), answers: make(chan string), said: &lockedBuffer{}}
	p.command.Stderr = p.said
	stdin, err := p.command.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.stdin = stdin
	stdout, err := p.command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(p.answers)
		for lines := bufio.NewScanner(stdout); lines.Scan(); {
			p.answers <- lines.Text()
		}
	}()
	ready := p.answer(t)
	place, ok := strings.CutPrefix(ready, "ready ")
	if !ok {
		t.Fatalf("peer said %q before it was ready: %s", ready, p.said)
	}
	p.place = place
	t.Cleanup(func() { p.end(t) })
	return p
}

// ptyPair joins two pseudo-terminals and returns the devices.
func ptyPair(t testing.TB) (a, b string) {
	t.Helper()
	dir := t.TempDir()
	a, b = filepath.Join(dir, "a"), filepath.Join(dir, "b")
	startSocat(t, "starting data transfer loop", "pty,raw,echo=0,link="+a, "pty,raw,echo=0,link="+b)
	return a, b
}

// deviceServer puts a serial device on a socket of this machine, as a serial
// device server does, and returns the address. It takes one connection.
func deviceServer(t testing.TB, device string) string {
	t.Helper()
	line := startSocat(t, " listening on ", "TCP-LISTEN:0,bind=127.0.0.1", "FILE:"+device+",raw,echo=0")
	return line[strings.LastIndex(line, " ")+1:]
}

// startSocat joins two ends until the test ends, and returns the line of socat's
// log that shows that it came so far.
func startSocat(t testing.TB, soFar string, ends ...string) string {
	t.Helper()
	needProgram(t, "socat", "socat")
	socat := exec.Command("socat", append([]string{"-d", "-d"}, ends...)...)
	stderr, err := socat.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := socat.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		socat.Process.Kill()
		socat.Wait()
	})
	for lines := bufio.NewScanner(stderr); lines.Scan(); {
		if strings.Contains(lines.Text(), soFar) {
			go io.Copy(io.Discard, stderr)
			return lines.Text()
		}
	}
	t.Fatalf("socat ended before its log said %q", soFar)
	return ""
}

// buildMbpeer compiles the libmodbus peer and returns the program's path.
func buildMbpeer(t testing.TB) string {
	t.Helper()
	needProgram(t, "gcc", "gcc libc6-dev")
	needProgram(t, "pkg-config", "pkg-config")
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		t.Skip("libmodbus is missing: apt-get install libmodbus-dev")
	}
	program := filepath.Join(t.TempDir(), "mbpeer")
	args := append([]string{"-O2", "-Wall", "-Wextra", "-o", program, peerFile(t, "mbpeer.c")}, strings.Fields(string(flags))...)
	if out, err := exec.Command("gcc", append(args, "-lutil", "-lpthread")...).CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, out)
	}
	return program
}

// needPymodbus skips a test where pymodbus 3.0 is missing: later versions have
// another interface.
func needPymodbus(t testing.TB) {
	t.Helper()
	out, err := exec.Command(systemPython, "-c", "import serial_asyncio, pymodbus.version as v; print(v.version.short())").Output()
	if err != nil || !bytes.HasPrefix(out, []byte("3.0.")) {
		t.Skip("pymodbus 3.0 is missing: apt-get install python3-pymodbus python3-serial-asyncio, on Debian 12")
	}
}

func needProgram(t testing.TB, name, packages string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is missing: apt-get install %s", name, packages)
	}
}

func peerFile(t testing.TB, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("../../testdata/interop", name))
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// lockedBuffer may be written and read at the same time.
type lockedBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}
