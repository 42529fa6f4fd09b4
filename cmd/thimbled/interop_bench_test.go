package main_test

import (
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"thimbled/acquire/modbus"
)

const (
	benchRounds    = 15
	benchExchanges = 20_000 // in each round, for each client
)

// BenchmarkTCPAgainstLibmodbus compares our client with a plain loop of
// libmodbus in C: the same server, the same request, turn by turn, all on one
// core. The ratio is the median of the rounds' ratios; 0.85 is the goal. Only a
// quiet machine gives a figure worth noting.
//
//	go test ./cmd/thimbled -run '^$' -bench TCPAgainstLibmodbus
func BenchmarkTCPAgainstLibmodbus(b *testing.B) {
	program := buildMbpeer(b)
	pinToOneCore(b)
	p := libmodbusTCP(b)
	client := connectTCP(b, p.place)
	_, port, _ := strings.Cut(p.place, ":")
	for b.Loop() {
		var theirs, ours, ratios []float64
		for round := range benchRounds {
			var their, our float64
			if round%2 == 0 {
				their, our = libmodbusRate(b, program, port), clientRate(b, client)
			} else {
				our, their = clientRate(b, client), libmodbusRate(b, program, port)
			}
			theirs, ours, ratios = append(theirs, their), append(ours, our), append(ratios, our/their)
		}
		b.ReportMetric(median(theirs), "libmodbus/s")
		b.ReportMetric(median(ours), "ours/s")
		b.ReportMetric(median(ratios), "ratio")
		b.ReportMetric(slices.Min(ratios), "ratio-min")
		b.ReportMetric(slices.Max(ratios), "ratio-max")
	}
	b.ReportMetric(0, "ns/op") // of no meaning here
}

// libmodbusRate returns the exchanges per second of the loop in C.
func libmodbusRate(b *testing.B, program, port string) float64 {
	b.Helper()
	out, err := exec.Command(program, "bench", port, strconv.Itoa(benchExchanges)).Output()
	if err != nil {
		b.Fatal(err)
	}
	rate, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
	if err != nil {
		b.Fatal(err)
	}
	return rate
}

// clientRate returns the exchanges per second of our client, after as much
// warming up as the loop in C has.
func clientRate(b *testing.B, client *modbus.Client) float64 {
	b.Helper()
	request := modbus.Request{Unit: peerUnit, Table: modbus.Input, Address: 0, Count: 8}
	var from time.Time
	for i := -benchExchanges / 10; i < benchExchanges; i++ {
		if i == 0 {
			from = time.Now()
		}
		data, _, err := client.Read(b.Context(), request)
		if err != nil || data[0] != 0x44 {
			b.Fatalf("read gave % x, %v", data, err)
		}
	}
	return benchExchanges / time.Since(from).Seconds()
}

func median(values []float64) float64 {
	return slices.Sorted(slices.Values(values))[len(values)/2]
}

// pinToOneCore keeps all threads of this process, and every process that it
// starts, on one core until the benchmark ends. The Go scheduler is told, as it
// would be in a process that starts so.
func pinToOneCore(b *testing.B) {
	b.Helper()
	var before, one unix.CPUSet
	if err := unix.SchedGetaffinity(0, &before); err != nil {
		b.Fatal(err)
	}
	core := len(before)*64 - 1
	for ; !before.IsSet(core); core-- {
	}
	one.Set(core)
	setAffinity(b, &one)
	processors := runtime.GOMAXPROCS(1)
	b.Cleanup(func() {
		runtime.GOMAXPROCS(processors)
		setAffinity(b, &before)
	})
}

// setAffinity goes over the threads twice: one may be started meanwhile.
func setAffinity(b *testing.B, cores *unix.CPUSet) {
	b.Helper()
	for range 2 {
		threads, err := os.ReadDir("/proc/self/task")
		if err != nil {
			b.Fatal(err)
		}
		for _, thread := range threads {
			id, err := strconv.Atoi(thread.Name())
			if err != nil {
				b.Fatal(err)
			}
			if err := unix.SchedSetaffinity(id, cores); err != nil && err != unix.ESRCH {
				b.Fatal(err)
			}
		}
	}
}
