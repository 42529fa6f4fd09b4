package main

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"thimbled/config"
	"thimbled/peak"
)

const simulatedConfig = `
[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"
[[line]]
name = "rs485"
kind = "rtu"
device = "/dev/serial/by-id/usb-adapter-port0"
baud = 115200
worst_answer = "300 ms"
[load]
line = "rs485"
unit_id = 1
register = 0
type = "int32"
scale = 0.001
unit = "N"
every = "40 ms"
timeout = "100 ms"
[pressure]
line = "rs485"
unit_id = 2
register = 0
type = "uint16"
scale = 0.01
unit = "bar"
every = "200 ms"
timeout = "100 ms"
[capture]
max_gap = "600 ms"
[nats]
url = "nats://192.0.2.1:4222"
[http]
listen = "127.0.0.1:8040"
`

// world is a loft in simulated time: an instrument line, a disk, a clock and a broker
// with faults, and one daemon after another that runs on them.
type world struct {
	t      testing.TB
	config *config.Config
	dir    string
	seed   uint64
	chance *rand.Rand // of what happens to the daemon as a whole
	begin  time.Time
	cable  *cable
	disk   *disk
	broker *broker
	seen   *tally
	calm   bool // nothing goes wrong any more

	mu      sync.Mutex
	offset  time.Duration // of the wall clock
	acked   map[uint64][]byte
	told    []promise // what operators were answered
	runs    []*life
	lives   int
	cuts    int
	problem error
}

// promise is the data of an event that a command was answered with.
type promise struct {
	run  int
	data []byte
}

func newWorld(t testing.TB, seed uint64) *world {
	c, err := config.Parse("simulated.toml", []byte(simulatedConfig))
	if err != nil {
		t.Fatal(err)
	}
	c.Journal.SegmentSize = 8 << 10 // less than a config may say, so that there are many
	if seed%2 == 1 {
		c.Seal.Key = simulatedKey(t)
	}
	w := &world{
		t: t, config: c, dir: filepath.Join(t.TempDir(), "j"), seed: seed, chance: rand.New(rand.NewPCG(seed, 9)),
		begin: time.Now(), disk: newDisk(), seen: newTally(), acked: map[uint64][]byte{},
	}
	w.cable = newCable(seed, w.begin, pulls(seed), w.seen)
	w.broker = newBroker(seed, w.seen)
	w.broker.reading = w.live
	return w
}

// simulatedKey writes the key that signs in every world, so that a seed repeats byte for byte.
func simulatedKey(t testing.TB) string {
	t.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize)))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "seal-key")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// tally counts what happened, by kind.
type tally struct {
	mu    sync.Mutex
	count map[string]int
}

func newTally() *tally { return &tally{count: map[string]int{}} }

func (t *tally) add(kind string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.count[kind]++
}

// fail keeps the first thing that is not as it must be.
func (w *world) fail(format string, v ...any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.problem == nil {
		w.problem = fmt.Errorf("after %v: %w", time.Since(w.begin), fmt.Errorf(format, v...))
	}
}

func (w *world) wall() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return time.Now().Add(w.offset)
}

// silentListener is a port that nobody comes to.
type silentListener struct{ closed chan struct{} }

func listenToNobody(_, _ string) (net.Listener, error) {
	return &silentListener{make(chan struct{})}, nil
}

func (l *silentListener) Accept() (net.Conn, error) { <-l.closed; return nil, net.ErrClosed }
func (l *silentListener) Addr() net.Addr            { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8040} }
func (l *silentListener) Close() error {
	select {
	case <-l.closed:
	default:
		close(l.closed)
	}
	return nil
}

// surroundings are those of the next daemon.
func (w *world) surroundings(m *mount) surroundings {
	late := rand.New(rand.NewPCG(m.seed, 5))
	return surroundings{
		files: m, wall: w.wall, line: w.cable.open, listen: listenToNobody,
		broker: func(network, address string) (net.Conn, error) {
			if m.dead() {
				return nil, errDead
			}
			return w.broker.connect(network, address)
		},
		sleep: func(ctx context.Context, until time.Time) error {
			return wakeAt(ctx, until.Add(time.Duration(late.IntN(300_000))))
		},
	}
}

// boots is the time from one daemon's last moment to the start of the next. It is longer
// than any takes to wind up, which depends on what comes first of what happens at once.
const boots = 5 * time.Second

// liveOnce runs one daemon until it dies or is stopped, and starts with what the one before
// has left.
func (w *world) liveOnce() {
	w.lives++
	m := newMount(w.disk, w.dir, w.seed<<16+uint64(w.lives), w.seen)
	m.faulty = !w.calm && w.chance.IntN(3) == 0
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	died := make(chan struct{})
	m.died = sync.OnceFunc(func() { m.kill(); w.broker.drop(); close(died) })
	if !w.calm && w.chance.IntN(2) == 0 {
		m.last = 1 + w.chance.IntN(60)
	}
	on := w.surroundings(m)
	d, err := newDaemonOn(on, w.config, w.dir, slog.New(slog.DiscardHandler))
	if err != nil {
		if !m.faulty && !m.dead() {
			w.fail("start: %w", err)
		}
		w.end(m, died)
		return
	}
	r := w.watch(d)
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx, func() {}) }()
	happen, quiet := context.WithCancel(ctx)
	var around sync.WaitGroup
	for _, what := range []func(context.Context, *life, *rand.Rand){w.operate, w.meddleLine, w.meddleClock, w.meddleBroker} {
		chance := rand.New(rand.NewPCG(w.chance.Uint64(), 3))
		around.Go(func() { what(happen, r, chance) })
	}
	length := time.Duration(2_000_000_000 + w.chance.Int64N(22_000_000_000))
	stop := w.chance.IntN(4) == 0
	if w.calm {
		length = 40 * time.Second
	}
	select {
	case <-time.After(length):
		if !stop && !w.calm {
			m.died()
		}
	case <-died:
	}
	over := time.Now()
	quiet()
	around.Wait()
	if w.calm {
		w.settleDown(r)
	}
	cancel()
	<-ended
	if took := time.Since(over); took > boots && !w.calm {
		w.fail("the daemon took %v to end", took)
	}
	time.Sleep(time.Until(over.Add(boots)))
	w.end(m, died)
}

// end leaves the disk as the end of a daemon does.
func (w *world) end(m *mount, died chan struct{}) {
	select {
	case <-died:
	default:
		m.kill()
		return // it was stopped
	}
	if w.chance.IntN(4) == 0 {
		w.seen.add("daemon: killed")
		return
	}
	w.cuts++
	w.seen.add("daemon: power cut")
	w.disk = m.disk.cut(w.chance)
	if w.chance.IntN(3) == 0 {
		_ = os.Remove(filepath.Join(w.dir, "broker", "published")) // nobody syncs it
	}
}

// settleDown waits until the broker has everything.
func (w *world) settleDown(r *life) {
	for range 600 {
		if n, known := r.daemon.records.Unpublished(); known && n == 0 {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	w.fail("records stay unpublished: %w", cmp.Or(r.daemon.records.Trouble(), errors.New("no trouble")))
}

// wakeAt sleeps until then. It starts no timer that is over already: with the race
// detector, two that look at one in the same bubble crash the runtime (go1.26).
func wakeAt(ctx context.Context, until time.Time) error {
	if left := time.Until(until); left > 0 {
		pass(ctx, left)
	}
	return ctx.Err()
}

// pass is false when the time is over.
func pass(ctx context.Context, d time.Duration) bool {
	select {
	case <-time.After(d):
		return true
	case <-ctx.Done():
		return false
	}
}

// some is a time up to a bound.
func some(chance *rand.Rand, d time.Duration) time.Duration {
	return time.Duration(chance.Int64N(int64(d)))
}

func (w *world) meddleLine(ctx context.Context, _ *life, chance *rand.Rand) {
	w.cable.calm(w.calm)
	for !w.calm && pass(ctx, some(chance, 20*time.Second)) {
		if chance.IntN(2) == 0 {
			w.cable.hang(some(chance, 4*time.Second))
			continue
		}
		w.cable.plug(false)
		pass(ctx, some(chance, 4*time.Second))
		w.cable.plug(true)
	}
	w.cable.plug(true)
}

func (w *world) meddleClock(ctx context.Context, _ *life, chance *rand.Rand) {
	for !w.calm && pass(ctx, some(chance, 60*time.Second)) {
		w.mu.Lock()
		w.offset += some(chance, 20*time.Minute) - 10*time.Minute
		w.mu.Unlock()
		w.seen.add("clock: set")
	}
}

func (w *world) meddleBroker(ctx context.Context, _ *life, chance *rand.Rand) {
	set := func(down bool) {
		w.broker.mu.Lock()
		defer w.broker.mu.Unlock()
		w.broker.down, w.broker.faulty = down, !w.calm
	}
	set(false)
	for !w.calm && pass(ctx, some(chance, 25*time.Second)) {
		set(true)
		w.broker.drop()
		pass(ctx, some(chance, 8*time.Second))
		w.broker.spoil(chance)
		set(false)
	}
	set(false)
}

// operate gives the commands of a day.
func (w *world) operate(ctx context.Context, r *life, chance *rand.Rand) {
	for n := 0; pass(ctx, 500*time.Millisecond+some(chance, 5*time.Second)); n++ {
		var c func(at time.Duration) peak.Input
		switch chance.IntN(4) {
		case 0:
			c = func(at time.Duration) peak.Input { return peak.SetZero{At: at, By: "A. Rigger"} }
		case 1:
			c = func(at time.Duration) peak.Input { return peak.FinishJob{At: at, By: "A. Rigger"} }
		default:
			c = func(at time.Duration) peak.Input {
				return peak.OpenJob{At: at, By: "A. Rigger", Job: peak.Job{
					ID: fmt.Sprintf("J-%d-%d", r.number, n), Item: "SL-0042", Planned: []peak.Planned{{Label: "leg 1", Requirement: requirement}, {Label: "leg 2", Requirement: requirement}},
				}}
			}
		}
		event, data, err := r.daemon.loop.do(ctx, r.both(c))
		if _, refused := event.(peak.CommandRefused); err == nil && !refused {
			w.mu.Lock()
			w.told = append(w.told, promise{r.number, data})
			w.mu.Unlock()
		}
	}
}

var requirement = peak.Requirement{
	Asked: 100 * peak.Kilonewton, Limit: peak.Known(115 * peak.Kilonewton), Hold: 1500 * time.Millisecond,
}

// both lets the mirror take what the daemon's core takes.
func (r *life) both(c func(time.Duration) peak.Input) func(time.Duration) peak.Input {
	return func(at time.Duration) peak.Input {
		r.see(r.mirror.Step(c(at)))
		return c(at)
	}
}

// over ends the day: nothing goes wrong any more, and everything must come right.
func (w *world) over() {
	w.calm = true
	w.liveOnce()
	w.wholeOnBroker()
	w.audit()
}

// story is what two runs of one seed must agree in.
func (w *world) story() string {
	var b strings.Builder
	for n := uint64(1); n <= uint64(len(w.acked)); n++ {
		fmt.Fprintf(&b, "%s\n", w.acked[n])
	}
	for _, m := range w.broker.records(w.t) {
		fmt.Fprintf(&b, "%s %s\n", m.at, headerOf(m.header).Get("ce-id"))
	}
	return b.String()
}
