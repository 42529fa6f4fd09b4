package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
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
	seen   map[string]int // faults, by kind
	calm   bool           // nothing goes wrong any more

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

// life is one daemon as its watcher saw it.
type life struct {
	world    *world
	number   int
	daemon   *daemon
	first    uint64 // its first record
	last     time.Duration
	epoch    time.Time
	accepted []peak.Reading
	// mirror is a core that steps through the same, undisturbed.
	mirror  *peak.Machine
	ended   map[int64]peak.PullEnded // by the mirror
	started map[int64]int            // how many readings were accepted when a pull began
	known   map[uint64]peak.Event    // the records of this run
}

func newWorld(t testing.TB, seed uint64) *world {
	c, err := config.Parse("simulated.toml", []byte(simulatedConfig))
	if err != nil {
		t.Fatal(err)
	}
	c.Journal.SegmentSize = 8 << 10 // less than a config may say, so that there are many
	w := &world{
		t: t, config: c, dir: filepath.Join(t.TempDir(), "j"), seed: seed, chance: rand.New(rand.NewPCG(seed, 9)),
		begin: time.Now(), disk: newDisk(), seen: map[string]int{}, acked: map[uint64][]byte{},
	}
	w.cable = newCable(seed, w.begin, pulls(seed), w.seen)
	w.broker = newBroker(seed, map[string]int{})
	w.broker.reading = w.live
	return w
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
		files: m, wall: w.wall, line: w.cable.open, broker: w.broker.connect, listen: listenToNobody,
		sleep: func(ctx context.Context, until time.Time) error {
			timer := time.NewTimer(time.Until(until) + time.Duration(late.IntN(300_000)))
			defer timer.Stop()
			select {
			case <-timer.C:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		},
	}
}

// live runs one daemon until it dies or is stopped, and starts with what the one before
// has left.
func (w *world) liveOnce() {
	w.lives++
	m := newMount(w.disk, w.seed<<16+uint64(w.lives), w.seen)
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
	quiet()
	around.Wait()
	if w.calm {
		w.settleDown(r)
	}
	cancel()
	<-ended
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
		w.seen["daemon: killed"]++
		return
	}
	w.cuts++
	w.seen["daemon: power cut"]++
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
	w.cable.faulty = !w.calm
	for !w.calm && pass(ctx, some(chance, 40*time.Second)) {
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
		w.seen["clock: set"]++
		w.mu.Unlock()
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

// watch follows a daemon that has not begun to run.
func (w *world) watch(d *daemon) *life {
	w.mu.Lock()
	r := &life{
		world: w, number: len(w.runs), daemon: d, last: -1, epoch: d.loop.clock.Epoch,
		ended: map[int64]peak.PullEnded{}, started: map[int64]int{}, known: map[uint64]peak.Event{},
	}
	w.runs = append(w.runs, r)
	w.mu.Unlock()
	var from peak.Start
	ctx := context.Background()
	for n := range d.journal.Last() {
		rec, err := d.journal.Next(ctx, n)
		if err != nil {
			w.fail("read back record %d: %w", n+1, err)
			break
		}
		if line, ok := w.acked[rec.Number]; ok && !bytes.Equal(line, rec.Line) {
			w.fail("record %d is another than the one acknowledged", rec.Number)
		}
		w.acked[rec.Number] = bytes.Clone(rec.Line)
		e, err := publish.Decode(rec.Event, d.loop.clock, publish.Traces{})
		if err == nil {
			from.Follow(e)
		}
	}
	for n := range w.acked {
		if n > d.journal.Last() {
			w.fail("record %d was acknowledged and is lost; the last one is %d", n, d.journal.Last())
		}
	}
	r.first = d.journal.Last() + 1
	for _, told := range w.told {
		if !slices.ContainsFunc(sortedLines(w.acked), func(line []byte) bool { return bytes.Contains(line, told.data) }) {
			w.fail("a command was answered in run %d and its event is lost: %s", told.run, told.data)
		}
	}
	w.told = nil // they are in acked from now on
	r.mirror = peak.New(w.config.Settings(), from)
	d.loop.hear = append(d.loop.hear, r.hear)
	return r
}

func sortedLines(acked map[uint64][]byte) (all [][]byte) {
	for _, line := range acked {
		all = append(all, line)
	}
	return all
}

// hear looks at each step of the loop, in its goroutine.
func (r *life) hear(s *publish.Snapshot, _ publish.Span, now time.Duration) {
	if by := s.Clock.Epoch.Sub(r.epoch); by != 0 {
		r.epoch = s.Clock.Epoch
		r.see(r.mirror.Step(peak.SetClock{At: max(r.last, 0), By: by}))
	}
	if rows := r.daemon.loop.record.recent; len(rows) > 0 && rows[len(rows)-1].reading.At > r.last {
		x := rows[len(rows)-1].reading
		r.last = x.At
		r.accepted = append(r.accepted, x)
		r.right(&x)
		r.see(r.mirror.Step(&x))
	}
	if net := s.State.Net; net.Known {
		r.fresh(s, now)
	}
	r.durable(s)
}

// right checks that a reading is what the indicator had in the time in which it was asked.
func (r *life) right(x *peak.Reading) {
	if x.Quality != peak.Good {
		return
	}
	at, ok := r.world.cable.takenAt(x.Force)
	age := r.daemon.loop.start.Add(x.At).Sub(at)
	if !ok || age < 0 || age > r.world.config.Load.Timeout+20*time.Millisecond {
		r.world.fail("run %d accepted %v at %v, taken %v before (%t)", r.number, x.Force, x.At, age, ok)
	}
}

// fresh checks that a force on show is the newest reading and young.
func (r *life) fresh(s *publish.Snapshot, now time.Duration) {
	var x peak.Reading
	for _, one := range slices.Backward(r.accepted) {
		if one.Quality == peak.Good {
			x = one
			break
		}
	}
	age := now - x.At
	// Zero tracking moves the zero behind the reading that is on show, by less than this.
	off := s.State.Net.Value - (x.Force - s.State.Zero - s.State.Tare)
	if off < -r.world.config.Bench.Division || off > r.world.config.Bench.Division || s.State.Net != r.mirror.State().Net || s.State.Quality != peak.Good {
		r.world.fail("run %d shows %v of quality %q, and the last good reading was %v less %v and %v",
			r.number, s.State.Net.Value, s.State.Quality, x.Force, s.State.Zero, s.State.Tare)
	}
	if age > r.world.config.Capture.MaxGap+2*tickEvery+silence {
		r.world.fail("run %d shows a force %v old", r.number, age)
	}
}

// durable keeps what was acknowledged, and that every pull that ended is.
func (r *life) durable(s *publish.Snapshot) {
	w := r.world
	for n := uint64(len(w.acked)) + 1; n <= s.JournalRecords; n++ {
		rec, err := r.daemon.journal.Next(context.Background(), n-1)
		if err != nil {
			w.fail("read record %d: %w", n, err)
			return
		}
		w.acked[n] = bytes.Clone(rec.Line)
		e, err := publish.Decode(rec.Event, s.Clock, publish.Traces{})
		if err != nil {
			continue
		}
		r.known[n] = e
		switch e := e.(type) {
		case peak.PullStarted:
			r.started[e.Pull] = len(r.accepted)
		case peak.PullEnded:
			r.same(e)
		}
	}
}

// see takes the events of the mirror.
func (r *life) see(events []peak.Event) {
	for _, e := range events {
		if e, ok := e.(peak.PullEnded); ok {
			r.ended[e.Pull] = e
		}
	}
}

// same checks a recorded pull against the mirror's.
func (r *life) same(e peak.PullEnded) {
	m, ok := r.ended[e.Pull]
	if slices.Contains(e.Reasons, peak.Interrupted) {
		return // the daemon was stopped; its trace is judged at the end
	}
	if !ok || m.Verdict != e.Verdict || !slices.Equal(m.Reasons, e.Reasons) || m.Peak != e.Peak || m.Highest != e.Highest ||
		m.Hold.For != e.Hold.For || m.Job != e.Job || m.Label != e.Label || m.ZeroBefore != e.ZeroBefore || m.ZeroAfter != e.ZeroAfter {
		r.world.fail("run %d, pull %d: recorded %+v, an undisturbed core says %+v", r.number, e.Pull, e, m)
	}
	r.world.seen["pull: "+string(e.Verdict)]++
}

// live checks a reading as the broker gets it.
func (w *world) live(body []byte) {
	var x struct {
		Age     float64  `json:"age_seconds"`
		Quality string   `json:"quality"`
		Force   *float64 `json:"force_newtons"`
	}
	if err := json.Unmarshal(body, &x); err != nil {
		w.fail("live reading: %w", err)
		return
	}
	if x.Force != nil && (x.Quality != "" || x.Age > (w.config.Capture.MaxGap+time.Second).Seconds()) {
		w.fail("the broker was shown as fresh: %s", body)
	}
}

// over ends the day: nothing goes wrong any more, and everything must come right.
func (w *world) over() {
	w.calm = true
	w.liveOnce()
	w.wholeOnBroker()
	w.audit()
}

// wholeOnBroker checks that the broker has each record once, as it is in the journal.
func (w *world) wholeOnBroker() {
	got := map[string]int{}
	for _, m := range w.broker.records(w.t) {
		id := headerOf(m.header).Get("ce-id")
		got[id]++
		n := uint64(0)
		if _, err := fmt.Sscanf(id, "dock-3-%d", &n); err != nil || !bytes.Contains(w.acked[n], m.body) {
			w.fail("the broker has %s, which is not record %d", id, n)
		}
	}
	for n := uint64(1); n <= uint64(len(w.acked)); n++ {
		if id := publish.ID("dock-3", n); got[id] != 1 {
			w.fail("the broker has record %s %d times", id, got[id])
		}
	}
	if len(got) != len(w.acked) {
		w.fail("the broker has %d records, the journal %d", len(got), len(w.acked))
	}
}

// audit checks the journal and the traces it names.
func (w *world) audit() {
	dir := filepath.Join(w.t.TempDir(), "saved")
	w.disk.save(w.t, w.dir, dir)
	report, err := journal.Audit(dir)
	if err != nil || !report.Sound() || report.Records != uint64(len(w.acked)) {
		w.fail("audit: %d records of %d, %v, %w", report.Records, len(w.acked), report.Problems, err)
	}
	w.judgeTraces(dir)
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
