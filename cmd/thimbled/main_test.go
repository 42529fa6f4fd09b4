package main_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	main "thimbled/cmd/thimbled"
)

// patience is how long a program may take to do what it must; nothing waits
// for it to pass.
const patience = 30 * time.Second

// asProgram makes this test binary behave as the program itself, so that tests
// start real processes of the code under test.
const asProgram = "THIMBLED_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main.Main()
		return
	}
	if line := os.Getenv(asLine); line != "" {
		if err := serveLine(line); err != nil {
			log.Fatal(err)
		}
		return
	}
	if audience := os.Getenv(asAudience); audience != "" {
		if err := attend(audience); err != nil {
			log.Fatal(err)
		}
		return
	}
	os.Exit(m.Run())
}

// program is a running process of the program.
type program struct {
	command *exec.Cmd
	out     *lockedBuffer
}

// start starts the program; it is killed at the end of the test at the latest.
func start(t testing.TB, args ...string) *program {
	t.Helper()
	p := &program{command: exec.Command(os.Args[0], args...), out: &lockedBuffer{}}
	p.command.Env = append(os.Environ(), asProgram+"=1")
	p.command.Stdout, p.command.Stderr = p.out, p.out
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.command.Process.Kill()
		p.command.Wait()
		if t.Failed() {
			t.Logf("thimbled %s said:\n%s", strings.Join(args, " "), p.out)
		}
	})
	return p
}

// stop asks the program to end and checks that it does so with success.
func (p *program) stop(t testing.TB) {
	t.Helper()
	p.command.Process.Signal(syscall.SIGTERM)
	kill := time.AfterFunc(patience, func() { p.command.Process.Kill() })
	defer kill.Stop()
	if err := p.command.Wait(); err != nil {
		t.Fatalf("the program ended with %v:\n%s", err, p.out)
	}
}

// do runs the program to its end.
func do(t testing.TB, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), asProgram+"=1")
	var o, e bytes.Buffer
	c.Stdout, c.Stderr = &o, &e
	if err := c.Run(); err != nil && c.ProcessState == nil {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), o.String(), e.String()
}

// until waits for something to come about.
func until(t testing.TB, what string, is func() bool) {
	t.Helper()
	within(t, patience, what, is)
}

// within waits for something that takes its time.
func within(t testing.TB, long time.Duration, what string, is func() bool) {
	t.Helper()
	for deadline := time.Now().Add(long); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited %v in vain for %s", long, what)
		}
	}
}

// record is a line of a journal as anybody with a JSON parser reads it.
type record struct {
	cloudEvent
	line string
}

// journalOf reads a journal's segments with nothing but a JSON parser. A last
// line without an end is left out.
func journalOf(t testing.TB, dir string) []record {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(dir, "*.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	var out []record
	for _, path := range paths { // names sort as numbers do
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for line := range bytes.Lines(text) {
			r := record{line: strings.TrimSuffix(string(line), "\n")}
			if r.line == string(line) {
				break
			}
			if err := json.Unmarshal(line, &r.cloudEvent); err != nil {
				t.Fatalf("%s: %v", path, err)
			}
			out = append(out, r)
		}
	}
	return out
}

// endsOf returns the pulls that a journal says have ended.
func endsOf(t testing.TB, dir string) []pullEnd {
	t.Helper()
	var events []cloudEvent
	for _, r := range journalOf(t, dir) {
		events = append(events, r.cloudEvent)
	}
	return pullEnds(t, events)
}

// nextPort is the port to try next. Those below 32768 are given to nobody who asks the
// system for a free one, so that none is taken between its reservation and its use.
var nextPort atomic.Int32

func init() { nextPort.Store(10_000 + rand.Int32N(10_000)) }

// reserve finds a free address on the loopback interface, another at each call.
func reserve(t testing.TB) string {
	t.Helper()
	for range 1000 {
		address := fmt.Sprintf("127.0.0.1:%d", nextPort.Add(1))
		if l, err := net.Listen("tcp", address); err == nil {
			l.Close()
			return address
		}
	}
	t.Fatal("no free port")
	return ""
}
