package metrics

import (
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"thimbled/peak"
	"thimbled/publish"
)

// What the gauges say. A gauge without a value to speak of is absent.
var (
	forceDesc    = describe(nameForce, "Net force. Absent while the last reading is bad or old.")
	pressureDesc = describe(namePressure, "Gauge pressure. Absent while it is not known.")
	peakDesc     = describe(namePeak, "Highest confirmed force of the pull in hand, else of the last one. Absent before the first.")
	zeroDesc     = describe(nameZero, "Force subtracted as zero.")
	tareDesc     = describe(nameTare, "Force subtracted as tare.")
	ageDesc      = describe(nameReadingAge, "Time since the instrument's last good reading. Absent before the first.", labelInstrument)
	upDesc       = describe(nameUp, "Whether the instrument gives good readings, 1 or 0.", labelInstrument)
	stepDesc     = describe(nameStepAge, "Time since the loop last took in a reading, a command or a tick.")
	recordsDesc  = describe(nameRecords, "Durable records in the journal.")
	failedDesc   = describe(nameJournalFailed, "Whether the journal has failed and records nothing, 1 or 0.")
	unpubDesc    = describe(nameUnpublished, "Durable records that the broker does not have. Absent while that is not known.")
	droppedDesc  = describe(nameDropped, "Live readings that could not be sent.")
	pullEndDesc  = describe(nameLastPull, "When the last pull ended, in seconds since 1970. Absent before the first of this run.")
	holdDesc     = describe(nameHold, "Longest hold of the pull in hand, else of the last one.")
	readyDesc    = describe(nameReady, "Whether a pull made now would count, 1 or 0.")
	checkDesc    = describe(nameCheck, "Whether one thing that must be in order before a pull is, 1 or 0.", labelCheck)
	alarmDesc    = describe(nameAlarm, "Whether an alarm is on, 1 or 0.", labelAlarm)
	ratioDesc    = describe(nameRatio, "Peak of the last pull as a part of its pressure times the cylinder's area. Absent before the first of this run with both.")
	brokerDesc   = describe(nameBroker, "Whether the broker can be used, 1 or 0.")
)

func describe(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(name, help, labels, nil)
}

// standing collects what is known at the moment of a scrape, all of it from one
// snapshot.
type standing struct {
	options Options
	pullEnd atomic.Int64 // of the last pull, in milliseconds since 1970; 0 before the first
	ratio   atomic.Int64 // of the last pull that had one, in parts per million; 0 before
}

// Describe implements prometheus.Collector.
func (c *standing) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		forceDesc, pressureDesc, peakDesc, zeroDesc, tareDesc, ageDesc, upDesc, stepDesc,
		recordsDesc, failedDesc, unpubDesc, droppedDesc, brokerDesc, pullEndDesc, holdDesc, readyDesc, checkDesc, alarmDesc, ratioDesc,
	} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (c *standing) Collect(out chan<- prometheus.Metric) {
	if s := c.options.Snapshot(); s != nil {
		bench(out, s, c.options.Now())
	}
	if f := c.options.Records; f != nil {
		out <- prometheus.MustNewConstMetric(recordsDesc, prometheus.CounterValue, float64(f()))
	}
	if f := c.options.Unpublished; f != nil {
		if n, known := f(); known {
			gauge(out, unpubDesc, float64(n))
		}
	}
	if f := c.options.Dropped; f != nil {
		out <- prometheus.MustNewConstMetric(droppedDesc, prometheus.CounterValue, float64(f()))
	}
	if f := c.options.Broker; f != nil {
		gauge(out, brokerDesc, truth(f() == nil))
	}
	if at := c.pullEnd.Load(); at != 0 {
		gauge(out, pullEndDesc, float64(at)/1000)
	}
	if ppm := c.ratio.Load(); ppm != 0 {
		gauge(out, ratioDesc, float64(ppm)/float64(100*peak.Percent))
	}
}

// bench collects a snapshot's gauges.
func bench(out chan<- prometheus.Metric, s *publish.Snapshot, now time.Duration) {
	st := s.State
	stepAge := age(now, st.At)
	fresh := stepAge <= staleAfter
	if st.Net.Known && fresh && age(now, st.TakenAt) <= staleAfter {
		gauge(out, forceDesc, newtons(st.Net.Value))
	}
	if st.Pressure.Known && fresh {
		gauge(out, pressureDesc, float64(st.Pressure.Value))
	}
	if st.Peak.Known {
		gauge(out, peakDesc, newtons(st.Peak.Value))
	}
	gauge(out, holdDesc, st.Hold.Seconds())
	gauge(out, readyDesc, truth(publish.Ready(s.Checks)))
	for _, c := range s.Checks {
		inOrder := c.State == publish.InOrder || c.State == publish.Attention
		out <- prometheus.MustNewConstMetric(checkDesc, prometheus.GaugeValue, truth(inOrder), c.Name)
	}
	for _, a := range peak.Alarms() {
		gauge(out, alarmDesc, truth(st.Alarm.Known && st.Alarm.Value.Alarm == a), string(a))
	}
	gauge(out, zeroDesc, newtons(st.Zero))
	gauge(out, tareDesc, newtons(st.Tare))
	gauge(out, stepDesc, stepAge.Seconds())
	gauge(out, failedDesc, truth(s.JournalFailed != ""))
	for _, i := range s.Instruments {
		gauge(out, upDesc, truth(up(i) && fresh), i.Name)
		if i.LastGood.Known {
			gauge(out, ageDesc, age(now, i.LastGood.Value).Seconds(), i.Name)
		}
	}
}

// up says whether an instrument gives good readings.
func up(i publish.Instrument) bool { return i.LastGood.Known && !i.Lost }

func age(now, then time.Duration) time.Duration { return max(0, now-then) }

func newtons(f peak.Force) float64 { return float64(f) / float64(peak.Newton) }

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func gauge(out chan<- prometheus.Metric, d *prometheus.Desc, v float64, labels ...string) {
	out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}
