package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"thimbled/acquire/bench"
	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish/nats"
	"thimbled/publish/seal"
)

// demo is a simulated bench and a real daemon that reads it.
type demo struct {
	speed  float64
	dir    string
	bench  *bench.Bench
	daemon *daemon
	show   *display
}

const (
	mostFast = 20 // faster, two readings are too far apart for the rules of capture
	metered  = "127.0.0.1:8040"
)

func demoCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "demo", "[--fast N] [--for D] [--dir DIR]")
	speed := f.Float64("fast", 1, "how many times as `fast` as life the bench is, 1 to 20")
	long := f.Duration("for", 0, "how `long` the demo lasts; 0 until it is interrupted")
	dir := f.String("dir", "", "the `folder` for records; a temporary one if not named")
	if err := parse(f, args); err != nil {
		return err
	}
	if *speed < 1 || *speed > mostFast || *long < 0 || f.NArg() != 0 {
		return usagef("--fast must be 1 to %d, --for not negative, and there are no other arguments", mostFast)
	}
	if err := limitDescriptors(); err != nil {
		return err
	}
	d, err := newDemo(out, *dir, *speed)
	if err != nil {
		return err
	}
	if *long > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, *long)
		defer cancel()
	}
	return d.run(ctx)
}

func newDemo(out streams, dir string, speed float64) (*demo, error) {
	dir, err := demoDir(dir)
	if err != nil {
		return nil, err
	}
	setup := bench.Dock3
	setup.Seed = uint64(time.Now().UnixNano())
	setup.Script = bench.Everyday.For(speed)
	link := filepath.Join(dir, "bench", "rs485")
	b, err := bench.New(bench.Settings{Setup: setup, Speed: speed, Lines: []bench.LineSettings{{Name: "rs485", Kind: bench.RTU, Device: link}}})
	if err != nil {
		return nil, err
	}
	path := filepath.Join(dir, "bench", "dock-3.toml")
	log := slog.New(calm(slog.NewTextHandler(out.err, &slog.HandlerOptions{Level: slog.LevelWarn})))
	w, err := demoDaemon(path, dir, link, log)
	if err != nil {
		return nil, errors.Join(err, b.Close())
	}
	c := w.config
	d := &demo{speed: speed, dir: dir, bench: b, daemon: w, show: newDisplay(out.out, c.Bench.Show, c.Bench.Division)}
	w.loop.hear = append(w.loop.hear, d.show.state)
	d.greet(out, path)
	return d, nil
}

// demoDaemon makes the daemon of the demo. Another program may take a port between
// the look for a free one and its use; then it looks again.
func demoDaemon(path, dir, link string, log *slog.Logger) (*daemon, error) {
	if err := makeDemoKey(dir); err != nil {
		return nil, err
	}
	for try := 1; ; try++ {
		c, err := writeDemoConfig(path, dir, link)
		if err != nil {
			return nil, err
		}
		w, err := newDaemon(c, dir, log)
		if inUse := errors.Is(err, nats.ErrPortInUse) || errors.Is(err, syscall.EADDRINUSE); !inUse || try == 5 {
			return w, err
		}
	}
}

func demoDir(dir string) (string, error) {
	if dir == "" {
		var err error
		if dir, err = os.MkdirTemp("", "thimbled-demo-"); err != nil {
			return "", err
		}
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	return dir, os.MkdirAll(filepath.Join(dir, "bench"), 0o755)
}

// demoKey is the file of the key that signs the demo's records.
func demoKey(dir string) string { return filepath.Join(dir, "bench", sealCredential) }

// makeDemoKey makes that key, unless the records were signed before.
func makeDemoKey(dir string) error {
	err := seal.MakeKey(demoKey(dir), "demo bench dock-3")
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	return err
}

// writeDemoConfig writes the config of the simulated bench and reads it as any
// daemon would.
func writeDemoConfig(path, dir, link string) (*config.Config, error) {
	text := fmt.Sprintf(demoConfig, link, dir, demoKey(dir), freeAddress(nats.DefaultListen), freeAddress(metered))
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		return nil, err
	}
	return config.Load(path)
}

const demoConfig = `# The simulated bench of the demo.
[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"
travel = "8 m"

[[line]]
name = "rs485"
kind = "rtu"
device = %q
baud = 115200
parity = "none"
worst_answer = "80 ms"

[load]
line = "rs485"
unit_id = 1
register = 0
type = "float32"
unit = "kN"
every = "20 ms"
timeout = "60 ms"
status_register = 2
stable_bit = 0
over_range_bit = 1
not_ready_bit = 2
under_range_bit = 3
serial = "LC-250-17"

[pressure]
line = "rs485"
unit_id = 2
register = 0
type = "uint16"
scale = 0.01
unit = "bar"
every = "100 ms"
timeout = "60 ms"

[cylinder]
bore = "200 mm"
rod = "110 mm"
friction = "5 %%"

[journal]
dir = %q

[seal]
key = %q

[nats]
listen = %q

[http]
listen = %q
`

// freeAddress returns the address if its port is free, else one with a free
// port.
func freeAddress(address string) string {
	for _, try := range []string{address, "127.0.0.1:0"} {
		if l, err := net.Listen("tcp", try); err == nil {
			defer l.Close()
			return l.Addr().String()
		}
	}
	return address
}

func (d *demo) greet(out streams, path string) {
	fmt.Fprintf(out.out, `A simulated bench, %s, and the real daemon that reads it over a serial line.
  records   %s
  config    %s
  key       %s.pub signs the records
  page      http://%s/
  NATS      %s
  metrics   http://%s/metrics
Open the page in a browser, or try in another terminal:
  go run ./cmd/thimbled status --config %s
  go run ./cmd/thimbled audit %s --key %s.pub
  nats --server %s subscribe 'bench.dock-3.>'

`, "dock-3, 250 kN", d.dir, path, demoKey(d.dir), d.daemon.config.HTTP.Listen, d.daemon.server.URL(), d.daemon.config.HTTP.Listen,
		path, d.dir, demoKey(d.dir), d.daemon.server.URL())
}

func (d *demo) run(ctx context.Context) error {
	g := newGroup(ctx)
	// The bench outlives the daemon, so that the daemon's last moments are
	// not those of a lost instrument.
	later, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	served := make(chan error, 1)
	go func() { served <- d.bench.Serve(later) }()
	g.run("operator", d.operate)
	g.run("display", d.tell)
	err := d.daemon.run(g.ctx, func() {})
	g.cancel()
	err = errors.Join(err, g.join())
	stop()
	err = errors.Join(err, <-served)
	d.show.close()
	if errors.Is(ctx.Err(), context.DeadlineExceeded) && errors.Is(err, context.DeadlineExceeded) {
		err = nil
	}
	fmt.Fprintf(d.show.out, "The records are in %s. Check them: go run ./cmd/thimbled audit %s --key %s.pub\n", d.dir, d.dir, demoKey(d.dir))
	return err
}

// tell shows each record once it is durable.
func (d *demo) tell(ctx context.Context) error {
	for after := d.daemon.journal.Last(); ; after++ {
		r, err := d.daemon.journal.Next(ctx, after)
		if err != nil {
			return ctx.Err()
		}
		d.show.event(r)
	}
}

// operate does what the operator of a real bench does: before each pull, finish
// the job before, set zero and open the next.
func (d *demo) operate(ctx context.Context) error {
	if err := d.verify(ctx); err != nil {
		return err
	}
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case u := <-d.bench.Upcoming():
			if err := d.prepare(ctx, u); err != nil {
				return err
			}
		}
	}
}

func (d *demo) prepare(ctx context.Context, u bench.Upcoming) error {
	const by = "demo operator"
	job := peak.Job{
		ID: fmt.Sprintf("demo-%d", time.Now().UnixMilli()), Item: fmt.Sprintf("HL-%04d", u.Number), Kind: "wire rope sling",
		Description: "wire rope sling, " + u.Pull.Name, WLL: peak.Known(u.Pull.Required / 2), Owner: "harbour loft", Operator: by,
		Source: "twice the WLL, by the demo operator",
		Planned: []peak.Planned{{Label: "whole item", Requirement: peak.Requirement{
			Asked: u.Pull.Required, Limit: peak.Known(u.Pull.Limit),
			Hold: time.Duration(float64(u.Pull.Hold) / d.speed).Truncate(time.Millisecond),
		}}},
	}
	deadline, cancel := context.WithTimeout(ctx, time.Duration(float64(u.In)/d.speed))
	defer cancel()
	if err := d.clear(deadline, by); err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	for _, input := range []func(time.Duration) peak.Input{
		func(at time.Duration) peak.Input { return peak.SetZero{At: at, By: by} },
		func(at time.Duration) peak.Input { return peak.OpenJob{At: at, By: by, Job: job} },
	} {
		if err := d.insist(deadline, input); err != nil && ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return nil
}

// clear waits for the pull in hand to end and finishes a job whose pull did not
// pass.
func (d *demo) clear(ctx context.Context, by string) error {
	for d.daemon.loop.snapshot.Load().State.InPull {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
	if !d.daemon.loop.snapshot.Load().State.Job.Known {
		return nil
	}
	return d.insist(ctx, func(at time.Duration) peak.Input { return peak.FinishJob{At: at, By: by} })
}

// insist repeats a command until it is carried out or the time for it is over.
func (d *demo) insist(ctx context.Context, input func(time.Duration) peak.Input) error {
	for {
		e, _, err := d.daemon.loop.do(ctx, input)
		if err != nil {
			return err
		}
		if _, refused := e.(peak.CommandRefused); !refused {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
}
