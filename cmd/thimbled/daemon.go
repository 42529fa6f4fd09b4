package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"thimbled/acquire"
	"thimbled/acquire/capture"
	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/metrics"
	"thimbled/publish/nats"
	"thimbled/publish/page"
	"thimbled/publish/search"
)

const (
	// queue is how many samples may wait for the loop: more than a minute at
	// 50 readings a second, so a slow disk loses none.
	queue = 4096
	// drain is how long the broker gets to take the last records at the end;
	// what it does not take is sent at the next start.
	drain = 2 * time.Second
	// idle bounds how long HTTP clients may keep a connection or a request open.
	idle = 10 * time.Second
)

// daemon is a bench's daemon with everything open, ready to run.
type daemon struct {
	config *config.Config
	dir    string // of the journal
	on     surroundings
	// recorded is the time of the last record before this start.
	recorded time.Time
	sealer   *sealer
	entry    *entrance // who may use it
	log      *slog.Logger
	loop     *loop
	journal  *journal.Writer
	server   *nats.Server // nil when the broker runs elsewhere
	link     *nats.Link
	records  *nats.Publisher
	live     *nats.Live
	state    *nats.State
	metrics  *metrics.Metrics
	index    *search.Index
	page     *page.Page
	http     net.Listener
	lines    []acquire.Line
	taps     map[string]*capture.Tap // of the lines, by name
}

// newDaemon opens the journal and everything else that a daemon needs, and ends
// the pull that a crash left in hand. dir is where the journal is.
func newDaemon(c *config.Config, dir string, log *slog.Logger) (*daemon, error) {
	return newDaemonOn(thisComputer(), c, dir, log)
}

func newDaemonOn(on surroundings, c *config.Config, dir string, log *slog.Logger) (_ *daemon, err error) {
	d := &daemon{config: c, dir: dir, on: on, log: log}
	defer func() {
		if err != nil {
			d.close()
		}
	}()
	if d.lines, err = linesOf(c); err != nil {
		return nil, configError{err}
	}
	if d.entry, err = readEntry(c, os.Getenv); err != nil {
		return nil, err
	}
	if d.sealer, err = newSealer(c); err != nil {
		return nil, err
	}
	for i := range d.lines {
		d.lines[i].Open, d.lines[i].Sleep = on.line, on.sleep
	}
	d.taps = tapLines(d.lines)
	opened, err := d.openJournal(dir)
	if err != nil {
		return nil, err
	}
	if err := d.openBroker(filepath.Join(dir, "nats")); err != nil {
		return nil, err
	}
	if d.http, err = on.listen("tcp", c.HTTP.Listen); err != nil {
		return nil, fmt.Errorf("listen for HTTP: %w", err)
	}
	now := time.Now()
	clock := publish.Clock{Epoch: on.wall().Round(0)}
	from, traces, err := goOn(context.Background(), d.journal, opened, clock)
	if err != nil {
		return nil, fmt.Errorf("go on from the journal: %w", err)
	}
	d.makeLoop(now, clock, from, traces)
	if err := d.makePage(slices.Concat(opened.Verified, opened.Parameters)); err != nil {
		return nil, err
	}
	if d.loop.parameters, err = readParameters(context.Background(), d.journal, opened.Parameters); err != nil {
		return nil, fmt.Errorf("read the recorded parameters: %w", err)
	}
	d.loop.settle([]peak.Event{peak.DaemonStarted{Version: version(), ConfigDigest: c.Digest, CleanBefore: opened.Clean}})
	if e, ok := d.loop.parameters.start(c, version()); ok {
		d.loop.settle([]peak.Event{e})
	}
	d.loop.sealAll(sealStarted)
	d.loop.show()
	return d, nil
}

func (d *daemon) openJournal(dir string) (journal.Opened, error) {
	c := d.config
	w, opened, err := journal.Open(dir, journal.Options{
		Bench: c.Bench.ID, FS: d.on.files, Now: d.on.wall, SegmentBytes: c.Journal.SegmentSize, MinFree: c.Journal.MinFree, Tally: d.sealer.tally(),
	})
	if err != nil {
		return opened, fmt.Errorf("open journal: %w", err)
	}
	d.journal = w
	d.sealer.goOn(opened)
	if opened.Last > 0 {
		r, err := w.Next(context.Background(), opened.Last-1)
		if err != nil {
			return opened, err
		}
		d.recorded = r.Time
	}
	if opened.Cut != nil {
		d.log.Warn("cut a damaged tail off the journal", "cut", opened.Cut)
	}
	if opened.InHand == nil {
		return opened, nil
	}
	d.log.Warn("a pull was interrupted", "pull", opened.InHand.Pull)
	if err := endInterrupted(w, dir, opened.InHand, c, d.log); err != nil {
		return opened, fmt.Errorf("end the interrupted pull: %w", err)
	}
	return opened, nil
}

func (d *daemon) openBroker(store string) (err error) {
	c := d.config
	if c.NATS.StoreDir != "" {
		store = c.NATS.StoreDir
	}
	as, err := outsideSignIn(c, os.Getenv)
	if err != nil {
		return configError{err}
	}
	options := nats.LinkOptions{Bench: c.Bench.ID, URL: c.NATS.URL, SignIn: as, Connect: d.on.broker, Log: d.log}
	if c.NATS.URL == "" {
		d.server, err = nats.Embed(nats.ServerOptions{Bench: c.Bench.ID, StoreDir: store, Listen: c.NATS.Listen, Access: d.entry.toNATS(), Log: d.log})
		if err != nil {
			return fmt.Errorf("start broker: %w", err)
		}
		options.Server = d.server
	}
	if d.link, err = nats.Dial(options); err != nil {
		return err
	}
	d.live = nats.NewLive(d.link, c.NATS.ReadingEvery)
	d.state = nats.NewState(d.link)
	d.records = nats.NewPublisher(d.link, d.journal, nil)
	d.records.Remember(filepath.Join(d.dir, "broker", "published"), d.repaired)
	return nil
}

// repaired has the loop record that the broker's copy of the records was made
// whole again. Once the loop has ended that is left to the next run.
func (d *daemon) repaired(ctx context.Context, r nats.Repair) bool {
	select {
	case d.loop.mended <- peak.BrokerRepaired{LostFrom: r.LostFrom, LostTo: r.LostTo, Restored: r.Restored, Why: r.Why}:
		return true
	case <-ctx.Done():
		return false
	}
}

func (d *daemon) makeLoop(now time.Time, clock publish.Clock, from peak.Start, traces publish.Traces) {
	c := d.config
	l := &loop{
		samples: make(chan acquire.Sample, queue), wall: d.on.wall, asks: make(chan ask), mended: make(chan peak.BrokerRepaired), damaged: make(chan *journal.Damage),
		removals: make(chan peak.TraceRemoved),
		bench:    c.Bench.ID, version: version(), start: now, clock: clock,
		machine: peak.New(c.Settings(), from),
		journal: d.journal, record: recorder{journal: d.journal, scaled: c.Load.Scaling() != ""},
		stuck: acquire.NewStuckWatch(c.Load.StuckAfter), fed: func() {}, log: d.log, sealer: d.sealer, traces: traces,
		ready: readiness{config: c}, broker: d.brokerTrouble,
	}
	for _, name := range d.instruments() {
		l.watched = append(l.watched, &watched{
			health: acquire.NewHealth(name), shown: publish.Instrument{Name: name, Quality: peak.NotReady},
		})
	}
	l.hear = []listener{d.live.Publish, func(s *publish.Snapshot, _ publish.Span, now time.Duration) { d.state.Publish(s, now) }}
	d.loop = l
	d.metrics = metrics.New(metrics.Options{
		Version: l.version, Instruments: d.instruments(), Snapshot: l.snapshot.Load, Now: l.now,
		Unpublished: d.records.Unpublished, Dropped: d.live.Dropped, Records: d.journal.Last, Broker: d.brokerTrouble,
	})
	l.metrics = d.metrics
}

// makePage makes the operator's page. earlier are the records of verifications and changes
// of parameters, which may lie far back.
func (d *daemon) makePage(earlier []uint64) (err error) {
	c := d.config
	o := page.Options{
		Bench: c.Bench.ID, Capacity: c.Bench.Capacity, Show: c.Bench.Show, Division: c.Bench.Division, PressureUnit: peak.UnitBar,
		Listen: reachedAt(c.HTTP.Listen, d.http), Snapshot: d.loop.snapshot.Load, Now: d.loop.now, Records: d.journal, Ask: d.answer,
		Ranges: c.Settings().Ranges, Earlier: earlier,
		Hosts: c.Access.Hosts, Secure: d.entry.tls != nil, SignIn: d.entry.signIn(), Beside: d.beside(),
		Trace: func(name string) (io.ReadCloser, error) {
			return d.on.files.OpenFile(filepath.Join(d.dir, filepath.FromSlash(name)), os.O_RDONLY, 0)
		},
		Certificate: func(ctx context.Context, job, format string) ([]byte, string, error) {
			return makeCertificate(ctx, d.dir, c.Path, job, format)
		},
	}
	if c.Pressure != nil {
		o.PressureUnit = c.Pressure.Unit
	}
	if d.page, err = page.New(o); err != nil {
		return fmt.Errorf("make page: %w", err)
	}
	d.index = search.New()
	if d.on.index != nil {
		if d.index, err = d.on.index(filepath.Join(d.dir, "search")); err != nil {
			return err
		}
	}
	d.loop.hear = append(d.loop.hear, d.page.Hear)
	return nil
}

// reachedAt is the address that people reach a listener at: the configured host,
// with the port it was given where the config leaves that open.
func reachedAt(configured string, l net.Listener) string {
	host, _, err := net.SplitHostPort(configured)
	_, port, err2 := net.SplitHostPort(l.Addr().String())
	if err != nil || err2 != nil {
		return configured
	}
	return net.JoinHostPort(host, port)
}

// brokerTrouble says why the broker cannot be used; nil if it can.
func (d *daemon) brokerTrouble() error {
	switch {
	case d.server != nil && d.server.Healthy() != nil:
		return d.server.Healthy()
	case !d.link.Connected():
		return errors.New("the broker cannot be reached")
	}
	return d.records.Trouble()
}

func (d *daemon) instruments() []string {
	if d.config.Pressure == nil {
		return []string{loadName}
	}
	return []string{loadName, pressureName}
}

// run runs the daemon until ctx ends or a task fails, then ends it in order:
// the pollers, the loop, and, once the broker has what it can get, the rest.
func (d *daemon) run(ctx context.Context, ready func()) error {
	defer d.close()
	outside := newGroup(context.WithoutCancel(ctx))
	outside.run("records", d.toldDamage(d.records.Run))
	outside.run("live readings", d.live.Run)
	outside.run("state", d.state.Run)
	outside.run("index", d.toldDamage(func(ctx context.Context) error { return d.index.Run(ctx, d.journal) }))
	outside.run("journal check", d.checkJournal)
	outside.run("old traces", d.removeOldTraces)
	outside.run("page", d.toldDamage(d.page.Run))
	outside.run("http", d.serveHTTP)
	if d.server != nil {
		outside.run("broker", d.server.Watch)
	}
	commands, err := d.serveCommands()
	if err != nil {
		outside.cancel()
		return errors.Join(err, outside.join())
	}
	inside := newGroup(ctx)
	context.AfterFunc(outside.ctx, inside.cancel)
	inside.run("loop", d.loop.run)
	d.poll(inside)
	ready()
	err = inside.join()
	err = errors.Join(err, d.stopped(err))
	d.drain()
	err = errors.Join(err, commands.Stop())
	outside.cancel()
	return errors.Join(err, outside.join())
}

// poll starts a poller for each line; when all have ended, so do the samples.
func (d *daemon) poll(g *group) {
	var pollers sync.WaitGroup
	for _, line := range d.lines {
		pollers.Add(1)
		g.run("line "+line.Name, func(ctx context.Context) error {
			defer pollers.Done()
			return acquire.Poll(ctx, line, d.loop.start, func(s acquire.Sample) { d.loop.samples <- s })
		})
	}
	go func() {
		pollers.Wait()
		close(d.loop.samples)
	}()
}

// stopped writes the last records of this run, and returns why they could not be written.
func (d *daemon) stopped(err error) error {
	why := "asked to stop"
	if err != nil {
		why = err.Error()
	}
	d.loop.settle([]peak.Event{peak.DaemonStopped{At: d.loop.now(), Clean: err == nil, Why: why}})
	d.loop.sealAll(sealStopped)
	d.loop.show()
	if err := d.journal.Failed(); err != nil {
		return fmt.Errorf("record the stop: %w", err)
	}
	return nil
}

// drain gives the broker a moment to take the last records.
func (d *daemon) drain() {
	for deadline := time.Now().Add(drain); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if n, known := d.records.Unpublished(); known && n == 0 {
			return
		}
	}
}

// close lets go of everything that is open.
func (d *daemon) close() {
	if d.http != nil {
		d.http.Close()
	}
	if d.link != nil {
		d.link.Close()
	}
	if d.server != nil {
		d.server.Shutdown()
	}
	if d.journal != nil {
		if err := d.journal.Close(); err != nil {
			d.log.Error("close journal", "error", err)
		}
	}
}
