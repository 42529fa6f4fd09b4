package metrics

import (
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"thimbled/peak"
	"thimbled/publish"
)

// staleAfter is the age beyond which a snapshot or a reading no longer speaks of
// now. The loop makes a snapshot several times a second.
const staleAfter = 2 * time.Second

const (
	scrapeTimeout = 5 * time.Second
	maxScrapes    = 4 // at the same time
)

// Options says where the metrics come from. Functions that are nil leave their
// metrics out. They are called at each scrape, from any goroutine.
type Options struct {
	Version string
	// Instruments names the instruments; their metrics exist from the start.
	Instruments []string
	// Snapshot returns the newest snapshot, nil before the first.
	Snapshot func() *publish.Snapshot
	// Now is the elapsed time on the snapshot's clock.
	Now func() time.Duration
	// Records is the number of durable records.
	Records func() uint64
	// Unpublished is how many of them the broker does not have, if known.
	Unpublished func() (n uint64, known bool)
	// Dropped is how many live readings could not be sent.
	Dropped func() uint64
	// Broker says why the broker cannot be used; nil if it can.
	Broker func() error
}

// Metrics is the bench's exposition. ObservePoll, CountMissed, ObserveSync and
// CountEvent are for one goroutine, the loop's; the rest is for any.
type Metrics struct {
	options  Options
	registry *prometheus.Registry
	polls    map[string]*instrumentPolls
	byPoll   pollVectors
	lateness prometheus.Histogram
	sync     prometheus.Histogram
	pulls    prometheus.Counter
	verdicts *prometheus.CounterVec
	tests    *prometheus.CounterVec
	alarms   *prometheus.CounterVec
	standing *standing
}

// New makes the metrics, in a registry of their own.
func New(o Options) *Metrics {
	m := &Metrics{
		options: o, registry: prometheus.NewRegistry(), polls: make(map[string]*instrumentPolls), byPoll: newPollVectors(),
		lateness: prometheus.NewHistogram(histogram(namePollLateness, "Time from when a poll was due to when it was made.", latenessBuckets)),
		sync:     prometheus.NewHistogram(histogram(nameSync, "Time to write and sync one record of the journal.", syncBuckets)),
		pulls:    prometheus.NewCounter(prometheus.CounterOpts{Name: namePulls, Help: "Pulls that started."}),
		verdicts: counters(namePullVerdicts, "Pulls that ended, by verdict.", labelVerdict),
		tests:    counters(nameTests, "Tests that ended, by verdict.", labelVerdict),
		alarms:   counters(nameAlarms, "Alarms that were raised.", labelAlarm),
		standing: &standing{options: o},
	}
	build := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: nameBuild, Help: "A constant 1, labelled with the daemon's version and that of Go."}, []string{labelVersion, labelGo})
	build.WithLabelValues(o.Version, runtime.Version()).Set(1)
	m.registry.MustRegister(build, m.lateness, m.sync, m.pulls, m.verdicts, m.tests, m.alarms, m.standing,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m.byPoll.register(m.registry)
	for _, v := range []peak.Verdict{peak.Pass, peak.Review, peak.Incomplete, peak.Void, peak.Exceeded, peak.Failed, peak.Unassigned} {
		m.verdicts.WithLabelValues(string(v))
		m.tests.WithLabelValues(string(v))
	}
	for _, a := range peak.Alarms() {
		m.alarms.WithLabelValues(string(a))
	}
	for _, name := range o.Instruments {
		m.instrument(name)
	}
	return m
}

// Handler serves /metrics. A metric that cannot be gathered leaves the others
// standing.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		ErrorHandling: promhttp.ContinueOnError, EnableOpenMetrics: true,
		MaxRequestsInFlight: maxScrapes, Timeout: scrapeTimeout,
	})
}

// ObserveSync counts a record that was written and synced in the given time.
func (m *Metrics) ObserveSync(took time.Duration) { m.sync.Observe(took.Seconds()) }

// CountEvent counts what an event stands for.
func (m *Metrics) CountEvent(e peak.Event) {
	switch e := e.(type) {
	case peak.PullStarted:
		m.pulls.Inc()
	case peak.PullEnded:
		m.verdicts.WithLabelValues(string(e.Verdict)).Inc()
		m.notePullEnd(e)
		if e.PressureRatio.Known {
			m.standing.ratio.Store(int64(e.PressureRatio.Value))
		}
	case peak.AlarmRaised:
		m.alarms.WithLabelValues(string(e.Alarm)).Inc()
	case peak.TestEnded:
		m.tests.WithLabelValues(string(e.Verdict)).Inc()
	}
}

func (m *Metrics) notePullEnd(e peak.PullEnded) {
	s := m.options.Snapshot()
	if s == nil {
		return // no clock to tell the time by yet
	}
	at := e.DecidedAt
	if e.EndedAt.Known {
		at = e.EndedAt.Value
	}
	m.standing.pullEnd.Store(s.Clock.Wall(at).UnixMilli())
}

// histogram describes one with classic buckets and a native histogram beside.
func histogram(name, help string, buckets []float64) prometheus.HistogramOpts {
	return prometheus.HistogramOpts{
		Name: name, Help: help, Buckets: buckets,
		NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 100, NativeHistogramMinResetDuration: time.Hour,
	}
}

func counters(name, help string, labels ...string) *prometheus.CounterVec {
	return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
}
