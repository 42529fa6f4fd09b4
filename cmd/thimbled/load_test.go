package main_test

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	main "thimbled/cmd/thimbled"
)

const (
	mostPages       = 200
	mostSubscribers = 500
	mostDescriptors = 1024
)

// pulled starts a daemon that reads an indicator of ours with a pull each second.
func pulled(t testing.TB) (*indicator, measured) {
	t.Helper()
	began, n := time.Now(), uint32(0)
	// In millinewtons, the last three digits count: each answer differs from its neighbours.
	i := &indicator{sent: map[uint32]time.Time{}, force: func() uint32 {
		n = (n + 1) % 1000
		return quickPull(time.Since(began))*1000 + n
	}}
	m := measure(t, speedBench{
		line:         fmt.Sprintf("kind = \"tcp\"\naddress = %q", i.serveTCP(t)),
		load:         "type = \"uint32\"\nscale = 0.001\nunit = \"N\"",
		more:         "[zero]\ntrack_within = \"0 N\"\nsettle = \"100 ms\"\n[capture]\nend_after = \"100 ms\"\n",
		readingEvery: "50 ms",
	})
	return i, m
}

// descriptorsOf counts the open files of a process.
func descriptorsOf(t testing.TB, pid int) int {
	t.Helper()
	all, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		t.Fatal(err)
	}
	return len(all)
}

// TestAsManyAsFit has as many pages and subscribers as the daemon takes, a tenth
// of them stalled, and one more of each, which is told why it is not let in.
func TestAsManyAsFit(t *testing.T) {
	_, m := pulled(t)
	n := dialNATS(t, m.nats)
	n.subscribe("bench.dock-3.reading")
	a := seat(t, m, mostPages, mostSubscribers)

	answer, err := http.Get("http://" + m.web + "/live")
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusServiceUnavailable || answer.Header.Get("Retry-After") == "" {
		t.Errorf("a page too many gets %s, Retry-After %q", answer.Status, answer.Header.Get("Retry-After"))
	}
	if says := tooMany(t, m.nats); !strings.Contains(says, "maximum connections exceeded") {
		t.Errorf("a subscriber too many is told %q", says)
	}
	if !healthy(m.web) {
		t.Error("with all of them in, the daemon is not healthy")
	}
	for range 50 {
		var r liveReading
		if err := json.Unmarshal(n.next().body, &r); err != nil {
			t.Fatal(err)
		}
	}
	open := descriptorsOf(t, m.command.Process.Pid)
	if open <= mostPages+mostSubscribers || open >= mostDescriptors {
		t.Errorf("%d files are open", open)
	}
	turnedAway(t, m.web)
	if open := descriptorsOf(t, m.command.Process.Pid); open >= mostDescriptors {
		t.Errorf("with strangers at the door %d files are open", open)
	}
	n.next()
	seen := a.leave(t)
	if seen["lost"] != 0 || seen["pages"] != mostPages || seen["subscribers"] != mostSubscribers {
		t.Errorf("the audience has seen %v", seen)
	}
	until(t, "the files of those who left to be closed", func() bool { return descriptorsOf(t, m.command.Process.Pid) < mostPages })
	t.Logf("%d files open with all in, %d after; the audience has seen %v", open, descriptorsOf(t, m.command.Process.Pid), seen)
	m.stop(t)
}

// tooMany connects to the broker until it refuses and returns what it said.
func tooMany(t *testing.T, address string) string {
	t.Helper()
	for range mostDescriptors {
		says, ok := knock(t, address)
		if !ok {
			return says
		}
	}
	return "nothing"
}

// turnedAway opens connections that ask for nothing, one more than there may be,
// and waits until one is closed without a word.
func turnedAway(t *testing.T, address string) {
	t.Helper()
	var strangers []net.Conn
	for range main.MostConnections - mostPages + 1 {
		conn, err := net.DialTimeout("tcp", address, patience)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		strangers = append(strangers, conn)
	}
	// After ten seconds those would be closed who were let in and asked for nothing.
	within(t, 5*time.Second, "one too many to be turned away", func() bool {
		return slices.ContainsFunc(strangers, func(c net.Conn) bool {
			c.SetReadDeadline(time.Now().Add(time.Millisecond))
			_, err := c.Read(make([]byte, 1))
			return !errors.Is(err, os.ErrDeadlineExceeded)
		})
	})
}

// knock opens a connection that stays open until the end of the test, or returns
// what the broker says against it.
func knock(t *testing.T, address string) (says string, ok bool) {
	t.Helper()
	conn, err := net.DialTimeout("tcp", address, patience)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	conn.SetDeadline(time.Now().Add(patience))
	if _, err := io.WriteString(conn, "CONNECT {\"verbose\":false}\r\nPING\r\n"); err != nil {
		return err.Error(), false
	}
	for r := bufio.NewReader(conn); ; {
		line, err := r.ReadString('\n')
		switch {
		case err != nil:
			return err.Error(), false
		case strings.HasPrefix(line, "PONG"):
			return "", true
		case strings.HasPrefix(line, "-ERR"):
			return strings.TrimSpace(line), false
		}
	}
}
