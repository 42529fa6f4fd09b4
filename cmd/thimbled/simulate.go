package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"thimbled/acquire/bench"
)

func simulateCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "simulate", "[--dir DIR] [--fast N] [--pulls FILE] [--seed N]")
	dir := f.String("dir", "", "the `folder` for the links to the serial devices; a temporary one if not named")
	speed := f.Float64("fast", 1, "how many times as `fast` as life the bench is, 1 to 20")
	pulls := f.String("pulls", "", "a `file` with the pulls to make; see the folder testdata/pulls")
	seed := f.Uint64("seed", 1, "the `seed` of all noise")
	if err := parse(f, args); err != nil {
		return err
	}
	if *speed < 1 || *speed > mostFast || f.NArg() != 0 {
		return usagef("--fast must be 1 to %d, and there are no other arguments", mostFast)
	}
	script, err := readScript(*pulls, *speed)
	if err != nil {
		return err
	}
	root, err := demoDir(*dir)
	if err != nil {
		return err
	}
	setup := bench.Dock3
	setup.Seed, setup.Script = *seed, script
	b, err := bench.New(bench.Settings{Setup: setup, Speed: *speed, Lines: []bench.LineSettings{
		{Name: "rs485", Kind: bench.RTU, Device: filepath.Join(root, "bench", "rs485"), Pace: bench.Pace{Baud: 115200, Bits: 10}},
		{Name: "tcp", Kind: bench.TCP, Address: "127.0.0.1:0"},
		{Name: "device server", Kind: bench.RTUOverTCP, Address: "127.0.0.1:0"},
		{Name: "printer", Kind: bench.Text, Device: filepath.Join(root, "bench", "printer")},
	}})
	if err != nil {
		return err
	}
	for _, l := range [][2]string{
		{"rs485", "Modbus RTU, 115200 8N1"}, {"tcp", "Modbus TCP"}, {"device server", "Modbus RTU over TCP"}, {"printer", "lines of text"},
	} {
		fmt.Fprintf(out.out, "%-22s %s\n", l[1], b.Line(l[0]).Address())
	}
	fmt.Fprintln(out.out, "The load indicator is unit 1, the pressure transducer unit 2.")
	go tellPulls(ctx, out, b, *speed)
	return b.Serve(ctx)
}

func tellPulls(ctx context.Context, out streams, b *bench.Bench, speed float64) {
	for {
		select {
		case <-ctx.Done():
			return
		case u := <-b.Upcoming():
			in := time.Duration(float64(u.In) / speed).Round(time.Second)
			fmt.Fprintf(out.err, "pull %d, %s, begins in %v\n", u.Number, u.Pull.Name, in)
		}
	}
}

func readScript(path string, speed float64) (bench.Script, error) {
	if path == "" {
		return bench.Everyday.For(speed), nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return bench.Script{}, err
	}
	s, err := bench.ParseScript(string(text))
	if err != nil {
		return s, usagef("read %s: %w", path, err)
	}
	return s, nil
}
