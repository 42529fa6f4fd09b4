package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"thimbled/peak"
)

// pollVectors are the metrics of polls, for all instruments.
type pollVectors struct {
	duration                *prometheus.HistogramVec
	polls, failures, missed *prometheus.CounterVec
}

func newPollVectors() pollVectors {
	duration := histogram(namePollDuration, "Time from asking an instrument to its whole answer, or to giving up.", durationBuckets)
	return pollVectors{
		duration: prometheus.NewHistogramVec(duration, []string{labelInstrument}),
		polls:    counters(namePolls, "Polls made, whether answered or not.", labelInstrument),
		failures: counters(namePollFailures, "Polls that gave no good reading, by the reading's quality.", labelInstrument, labelReason),
		missed:   counters(nameMissed, "Moments at which a poll was due and none could be made.", labelInstrument),
	}
}

func (v pollVectors) register(r *prometheus.Registry) {
	r.MustRegister(v.duration, v.polls, v.failures, v.missed)
}

// instrumentPolls are the metrics of one instrument's polls, looked up once.
type instrumentPolls struct {
	duration      prometheus.Observer
	polls, missed prometheus.Counter
	failures      []prometheus.Counter // by quality
}

// instrument returns an instrument's metrics, made at the first call.
func (m *Metrics) instrument(name string) *instrumentPolls {
	p, ok := m.polls[name]
	if ok {
		return p
	}
	p = &instrumentPolls{
		duration: m.byPoll.duration.WithLabelValues(name),
		polls:    m.byPoll.polls.WithLabelValues(name), missed: m.byPoll.missed.WithLabelValues(name),
	}
	for _, q := range qualities() {
		p.failures = append(p.failures, m.failures(name, q))
	}
	m.polls[name] = p
	return p
}

// failures returns the counter of an instrument's bad readings of a quality; that
// of the good ones is not shown.
func (m *Metrics) failures(name string, q peak.Quality) prometheus.Counter {
	if q == peak.Good {
		return prometheus.NewCounter(prometheus.CounterOpts{Name: namePollFailures})
	}
	return m.byPoll.failures.WithLabelValues(name, q.String())
}

// qualities lists all there are, in their order.
func qualities() []peak.Quality {
	list := []peak.Quality{peak.Good}
	for q := peak.Good + 1; ; q++ {
		if same, ok := peak.ParseQuality(q.String()); !ok || same != q {
			return list
		}
		list = append(list, q)
	}
}

// ObservePoll counts one poll: its quality, how long it took, and how late it was
// made.
func (m *Metrics) ObservePoll(instrument string, q peak.Quality, took, late time.Duration) {
	p := m.instrument(instrument)
	p.polls.Inc()
	p.duration.Observe(took.Seconds())
	m.lateness.Observe(max(0, late).Seconds())
	if q != peak.Good && int(q) < len(p.failures) {
		p.failures[q].Inc()
	}
}

// CountMissed counts moments at which a poll was due and none could be made.
func (m *Metrics) CountMissed(instrument string, moments int) {
	m.instrument(instrument).missed.Add(float64(moments))
}
