package main_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The benchmarks named Speed measure the program as people run it: processes of
// its own, terminals and sockets of the system, in real time. Each measures for
// a fixed while and reports its figures, one after the other:
//
//	go test ./cmd/thimbled -run '^$' -bench Speed -timeout 60m
//
// Only a quiet machine gives figures worth noting, and none of them is a test.

// speedConfig is the config of a bench with a load indicator only; what is left
// open is its line, the instrument's registers, more sections, and the places.
const speedConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"

[[line]]
name = "wire"
%s

[load]
line = "wire"
unit_id = 1
register = 0
every = "20 ms"
timeout = "100 ms"
%s

%s

[journal]
dir = %q

[nats]
listen = %q
reading_every = %q

[http]
listen = %q
`

// speedBench says what differs between the benches that are measured.
type speedBench struct {
	line, load, more string
	readingEvery     string
}

// measured is a running daemon and where it is reached.
type measured struct {
	*program
	journal, nats, web string
}

// measure starts the daemon and waits until it is healthy.
func measure(b testing.TB, s speedBench) measured {
	b.Helper()
	dir := b.TempDir()
	m := measured{journal: filepath.Join(dir, "journal"), nats: reserve(b), web: reserve(b)}
	path := filepath.Join(dir, "bench.toml")
	text := fmt.Sprintf(speedConfig, s.line, s.load, s.more, m.journal, m.nats, s.readingEvery, m.web)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	m.program = start(b, "run", "--config", path)
	until(b, "the daemon to be healthy", func() bool { return healthy(m.web) })
	return m
}

// simulated starts the simulated bench in a process of its own and returns it
// and its lines by what the program calls them.
func simulated(b *testing.B) (p *program, lines map[string]string) {
	b.Helper()
	p = start(b, "simulate", "--dir", b.TempDir())
	until(b, "the simulated bench", func() bool { return strings.Contains(p.out.String(), "unit 1") })
	lines = map[string]string{}
	for line := range strings.Lines(p.out.String()) {
		line = strings.TrimSpace(line)
		at := strings.LastIndex(line, " ") + 1
		lines[strings.TrimSpace(line[:at])] = line[at:]
	}
	return p, lines
}

// prefer puts a process before all others, as far as root may: a real instrument
// is not slowed down by what else runs on the computer that reads it.
func prefer(b *testing.B, p *program) {
	b.Helper()
	threads, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", p.command.Process.Pid))
	if err != nil {
		b.Fatal(err)
	}
	for _, thread := range threads {
		id, err := strconv.Atoi(thread.Name())
		if err == nil {
			err = unix.Setpriority(unix.PRIO_PROCESS, id, -20)
		}
		if err != nil {
			b.Logf("the simulated bench is not preferred, so its answers may be late: %v", err)
			return
		}
	}
}

// reportTimes reports the median and the 99th per cent of some times.
func reportTimes(b *testing.B, what string, times []time.Duration) {
	b.Helper()
	if len(times) == 0 {
		b.Fatalf("nothing was measured: %s", what)
	}
	slices.Sort(times)
	for _, percent := range []int{50, 99} {
		at := times[len(times)*percent/100]
		b.ReportMetric(float64(at)/float64(time.Microsecond), fmt.Sprintf("%s-p%d-µs", what, percent))
	}
}

// noPerOp drops the time per operation, which is the fixed while.
func noPerOp(b *testing.B) { b.ReportMetric(0, "ns/op") }

// occupy keeps every processor busy with a program of somebody else's until
// stop is called.
func occupy(b *testing.B) (stop func()) {
	b.Helper()
	var all []*exec.Cmd
	for range runtime.NumCPU() {
		c := exec.Command("sh", "-c", "while :; do :; done")
		if err := c.Start(); err != nil {
			b.Fatal(err)
		}
		all = append(all, c)
	}
	stop = func() {
		for _, c := range all {
			c.Process.Kill()
			c.Wait()
		}
		all = nil
	}
	b.Cleanup(stop)
	return stop
}

// processorTime is what a running process has used so far, to a hundredth of a
// second (proc_pid_stat(5): utime and stime in clock ticks, of which Linux has
// 100 a second on every architecture that matters here).
func processorTime(b *testing.B, pid int) time.Duration {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest) // from the third on
	const utime, stime = 14 - 3, 15 - 3
	ticks := time.Duration(0)
	for _, at := range []int{utime, stime} {
		n, err := strconv.Atoi(fields[at])
		if err != nil {
			b.Fatal(err)
		}
		ticks += time.Duration(n)
	}
	return ticks * time.Second / 100
}

// residentMB is what a running process has in memory now, in MB of 10^6 bytes
// (proc_pid_status(5): VmRSS in kB of 1024 bytes).
func residentMB(b *testing.B, pid int) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "VmRSS:")
	n, err := strconv.Atoi(strings.Fields(rest)[0])
	if err != nil {
		b.Fatal(err)
	}
	return float64(n) * 1024 / 1e6
}
