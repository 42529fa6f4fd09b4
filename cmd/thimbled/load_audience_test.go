package main_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// asAudience makes this test binary an audience of a bench, in a process of its
// own: its value is where the pages and the broker are, and how many of each
// follow the bench.
const asAudience = "THIMBLED_TEST_AS_AUDIENCE"

const (
	// oneInTen of an audience stalls: it takes what comes at first and then nothing.
	oneInTen = 10
	// stalledFor is how long; then it comes anew, as a browser does.
	stalledFor = 15 * time.Second
	// narrow is the receive buffer of one that stalls, so that it is soon full.
	narrow = 4096
)

// audience follows a bench with pages and subscribers.
type audience struct {
	web, broker string
	joining     sync.WaitGroup

	heard attendance
}

// attendance is what an audience has seen so far.
type attendance struct {
	Pages, Subscribers atomic.Int64 // that are in
	Told, Messages     atomic.Int64 // readings on pages, messages to subscribers
	Lost               atomic.Int64 // connections that ended although their owner took everything
}

// attend is the audience's process: it says that all are in, and, when its input
// ends, what they have seen.
func attend(settings string) error {
	a := &audience{}
	var pages, subscribers int
	if _, err := fmt.Sscan(settings, &a.web, &a.broker, &pages, &subscribers); err != nil {
		return err
	}
	errs := make(chan error, 1)
	a.invite(pages, errs, &a.heard.Pages, a.watch)
	a.invite(subscribers, errs, &a.heard.Subscribers, a.subscribe)
	in := make(chan struct{})
	go func() { a.joining.Wait(); close(in) }()
	select {
	case <-in:
	case err := <-errs:
		return err
	}
	fmt.Println("in")
	if _, err := io.Copy(io.Discard, os.Stdin); err != nil {
		return err
	}
	return json.NewEncoder(os.Stdout).Encode(map[string]int64{
		"pages": a.heard.Pages.Load(), "subscribers": a.heard.Subscribers.Load(),
		"told": a.heard.Told.Load(), "messages": a.heard.Messages.Load(), "lost": a.heard.Lost.Load(),
	})
}

// invite brings so many in; follow calls in once and returns when its connection
// has ended.
func (a *audience) invite(n int, errs chan<- error, count *atomic.Int64, follow func(stalls bool, in func()) error) {
	for i := range n {
		a.joining.Add(1)
		in := sync.OnceFunc(func() { count.Add(1); a.joining.Done() })
		go func() {
			stalls := i%oneInTen == 0
			for {
				err := follow(stalls, in)
				if !stalls {
					a.heard.Lost.Add(1)
					select {
					case errs <- fmt.Errorf("one that took everything was left alone: %w", err):
					default:
					}
					return
				}
				time.Sleep(time.Second)
			}
		}()
	}
}

// dialAs connects; one that stalls has little room for what it does not take.
func dialAs(ctx context.Context, stalls bool, address string) (net.Conn, error) {
	d := net.Dialer{Timeout: patience}
	if stalls {
		d.Control = func(_, _ string, raw syscall.RawConn) (err error) {
			return errors.Join(raw.Control(func(fd uintptr) {
				err = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, narrow)
			}), err)
		}
	}
	return d.DialContext(ctx, "tcp", address)
}

// watch follows the bench as an open page does.
func (a *audience) watch(stalls bool, in func()) error {
	client := http.Client{Transport: &http.Transport{
		DisableKeepAlives: true,
		DialContext:       func(ctx context.Context, _, address string) (net.Conn, error) { return dialAs(ctx, stalls, address) },
	}}
	answer, err := client.Get("http://" + a.web + "/live")
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("a page gets %s", answer.Status)
	}
	for lines := bufio.NewScanner(answer.Body); lines.Scan(); {
		if lines.Text() != "event: reading" {
			continue
		}
		in()
		a.heard.Told.Add(1)
		if stalls {
			time.Sleep(stalledFor)
			return nil
		}
	}
	return io.ErrUnexpectedEOF
}

// subscribe follows the readings as any NATS client does.
func (a *audience) subscribe(stalls bool, in func()) error {
	conn, err := dialAs(context.Background(), stalls, a.broker)
	if err != nil {
		return err
	}
	defer conn.Close()
	if _, err := io.WriteString(conn, "CONNECT {\"verbose\":false,\"lang\":\"test\",\"version\":\"1\",\"protocol\":1}\r\nSUB bench.dock-3.reading 1\r\nPING\r\n"); err != nil {
		return err
	}
	for r := bufio.NewReaderSize(conn, narrow); ; {
		line, err := r.ReadString('\n')
		if err != nil {
			return err
		}
		f := strings.Fields(line)
		switch {
		case len(f) == 0:
		case f[0] == "PING":
			if _, err := io.WriteString(conn, "PONG\r\n"); err != nil {
				return err
			}
		case f[0] == "-ERR":
			return errors.New(strings.TrimSpace(line))
		case f[0] == "MSG":
			size, err := strconv.Atoi(f[len(f)-1])
			if err != nil {
				return err
			}
			if _, err := r.Discard(size + len("\r\n")); err != nil {
				return err
			}
			in()
			a.heard.Messages.Add(1)
			if stalls {
				time.Sleep(stalledFor)
				return nil
			}
		}
	}
}

// seated is an audience that is in.
type seated struct {
	command *exec.Cmd
	input   io.WriteCloser
	output  *bufio.Reader
}

// seat brings an audience in, in a process that gives way to the daemon: real
// ones sit at other computers.
func seat(t testing.TB, m measured, pages, subscribers int) *seated {
	t.Helper()
	s := &seated{command: exec.Command("nice", "-n", "30", os.Args[0])} // this process may be preferred itself
	s.command.Env = append(os.Environ(), fmt.Sprintf("%s=%s %s %d %d", asAudience, m.web, m.nats, pages, subscribers))
	s.command.Stderr = os.Stderr
	var err error
	if s.input, err = s.command.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := s.command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	s.output = bufio.NewReader(out)
	if err := s.command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.command.Process.Kill(); s.command.Wait() })
	if line, err := s.output.ReadString('\n'); line != "in\n" {
		t.Fatalf("the audience is not in: %q, %v", line, err)
	}
	return s
}

// leave has the audience go and returns what it has seen.
func (s *seated) leave(t testing.TB) map[string]int64 {
	t.Helper()
	s.input.Close()
	seen := map[string]int64{}
	if err := json.NewDecoder(s.output).Decode(&seen); err != nil {
		t.Fatalf("the audience does not say what it has seen: %v", err)
	}
	if err := s.command.Wait(); err != nil {
		t.Fatal(err)
	}
	return seen
}
