package main_test

import (
	"bufio"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"thimbled/peak"
)

const (
	dayPulls    = 200
	dayEvery    = 20 * time.Millisecond
	dayReadings = int(24 * time.Hour / dayEvery)
)

// dayForce is the force of a day's course of pulls, without noise: each rises to
// 102 kN, is held for half a minute and let down.
func dayForce(at time.Duration) peak.Force {
	const rise, hold, fall = 20 * time.Second, 32 * time.Second, 8 * time.Second
	const top = 102 * peak.Kilonewton
	into := at%(24*time.Hour/dayPulls) - time.Minute
	switch {
	case into < 0 || into > rise+hold+fall:
		return 0
	case into < rise:
		return top * peak.Force(into/time.Millisecond) / peak.Force(rise/time.Millisecond)
	case into < rise+hold:
		return top
	}
	return top * peak.Force((rise+hold+fall-into)/time.Millisecond) / peak.Force(fall/time.Millisecond)
}

// writeDay writes the trace of a day: noise of some ten newtons, jitter of a
// millisecond, the pressure with every fifth reading, and one lost poll in a
// thousand.
func writeDay(b *testing.B, path string) {
	b.Helper()
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	w := bufio.NewWriter(f)
	w.WriteString("elapsed_s,force_N,pressure_Pa,quality\r\n")
	chance := rand.New(rand.NewPCG(1, 2))
	var row []byte
	for i := range dayReadings {
		at := time.Duration(i)*dayEvery + time.Duration(chance.IntN(1_000_000))
		force := dayForce(at)
		row = append(peak.AppendSeconds(row[:0], at), ',')
		lost := chance.IntN(1000) == 0
		if !lost {
			row = (force + peak.Force(chance.IntN(40_000)) - 20*peak.Newton).AppendNewtons(row)
		}
		row = append(row, ',')
		if i%5 == 0 {
			row = peak.Force(int64(force) * 45).AppendNewtons(row)
		}
		row = append(row, ',')
		if lost {
			row = append(row, "timeout"...)
		}
		w.Write(append(row, "\r\n"...))
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkSpeedReplay replays a day at 50 Hz, 4.32 million rows, with 200
// pulls; at most 5 s and 200 MB are the goal. The peak memory is the system's
// figure for the process, which counts that of its parent before it began too.
func BenchmarkSpeedReplay(b *testing.B) {
	dir := b.TempDir()
	day, config := filepath.Join(dir, "day.csv"), filepath.Join(dir, "bench.toml")
	writeDay(b, day)
	text := "[bench]\nid = \"dock-3\"\ncapacity = \"250 kN\"\n[[line]]\nname = \"a\"\nkind = \"tcp\"\naddress = \"127.0.0.1:502\"\n[load]\nline = \"a\"\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	var largest int64
	var used time.Duration
	for b.Loop() {
		c := exec.Command(os.Args[0], "replay", "--config", config, "--required", "100 kN", "--limit", "112 kN", "--hold", "30 s", day)
		c.Env = append(os.Environ(), asProgram+"=1")
		out, err := c.Output()
		if err != nil {
			b.Fatal(err)
		}
		if n := strings.Count(string(out), `"verdict":"pass"`); n != dayPulls {
			b.Fatalf("%d pulls passed of %d", n, dayPulls)
		}
		usage := c.ProcessState.SysUsage().(*syscall.Rusage)
		largest = max(largest, usage.Maxrss)
		used += c.ProcessState.UserTime() + c.ProcessState.SystemTime()
	}
	n := float64(b.N)
	b.ReportMetric(b.Elapsed().Seconds()/n, "s/day")
	b.ReportMetric(used.Seconds()/n, "cpu-s/day")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/n/float64(dayReadings), "ns/row")
	b.ReportMetric(float64(largest)*1024/1e6, "MB")
	noPerOp(b)
}
