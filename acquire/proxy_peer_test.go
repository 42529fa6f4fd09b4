//go:build linux

package acquire_test

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// mbpeer is a Modbus server on libmodbus, which nobody here wrote, in a process of its
// own; see testdata/interop/README.md. It belongs to one goroutine but for its process.
type mbpeer struct {
	place   string // host:port or a device
	command *exec.Cmd
	stdin   io.WriteCloser
	stdout  *bufio.Scanner
}

// peerUnit is the unit that serves a serial line.
const peerUnit = 7

// buildPeer compiles the server and returns the program's path.
func buildPeer(t testing.TB) string {
	t.Helper()
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		t.Skip("libmodbus is missing: apt-get install gcc libc6-dev pkg-config libmodbus-dev")
	}
	program := filepath.Join(t.TempDir(), "mbpeer")
	args := append([]string{"-O2", "-o", program, "../testdata/interop/mbpeer.c"}, strings.Fields(string(flags))...)
	if out, err := exec.Command("gcc", append(args, "-lutil", "-lpthread")...).CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, out)
	}
	return program
}

// startPeer starts the server, on a socket or on a pseudo-terminal of its own. When
// the test ends it must not have been asked for anything but reading.
func startPeer(t testing.TB, program string, tcp bool) *mbpeer {
	t.Helper()
	args := []string{"rtu-pty", fmt.Sprint(peerUnit), "../testdata/interop/registers.csv"}
	if tcp {
		args = []string{"tcp", "0", "../testdata/interop/registers.csv"}
	}
	p := &mbpeer{command: exec.Command(program, args...)}
	p.command.Stderr = os.Stderr
	stdin, err := p.command.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := p.command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	p.stdin, p.stdout = stdin, bufio.NewScanner(stdout)
	ready, err := p.answer()
	place, ok := strings.CutPrefix(ready, "ready ")
	if err != nil || !ok {
		t.Fatalf("peer said %q before it was ready: %v", ready, err)
	}
	p.place = place
	t.Cleanup(func() { p.end(t) })
	return p
}

// end ends the server after a look at what it was asked for.
func (p *mbpeer) end(t testing.TB) {
	kill := time.AfterFunc(20*time.Second, func() { p.command.Process.Kill() })
	defer kill.Stop()
	defer p.command.Wait()
	functions, err := p.tell("functions\n")
	if err != nil {
		t.Errorf("peer: %v", err)
		return
	}
	for _, field := range strings.Fields(functions)[1:] {
		code, _, _ := strings.Cut(field, ":")
		if !strings.Contains(" 1 2 3 4 broken ", " "+code+" ") {
			t.Errorf("peer was asked for a function that does not read: %s", functions)
		}
	}
	p.stdin.Close()
}

// show puts the values into the registers, all between two requests.
func (p *mbpeer) show(v values) error {
	line := fmt.Sprintf("input %d %04x %04x 0 0 %04x %04x\n", loadRegister, v.load>>16, v.load&0xffff, v.pressure>>16, v.pressure&0xffff)
	answer, err := p.tell(line)
	if err == nil && answer != "done" {
		err = fmt.Errorf("peer was told %q and said %q", line, answer)
	}
	return err
}

func (p *mbpeer) tell(line string) (string, error) {
	if _, err := io.WriteString(p.stdin, line); err != nil {
		return "", err
	}
	return p.answer()
}

func (p *mbpeer) answer() (string, error) {
	if !p.stdout.Scan() {
		return "", fmt.Errorf("peer is gone: %v", p.stdout.Err())
	}
	return p.stdout.Text(), nil
}
