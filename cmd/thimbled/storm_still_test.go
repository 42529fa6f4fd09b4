package main_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

var stops = flag.Int("stops", 4, "how many times TestFreezeStorm stops the daemon, and TestBrokerStandsStill the broker")

// still has a process stand still for a while. On a busy computer its threads go on for
// a moment after the signal; stopped is when none does.
func (p *program) still(t *testing.T, long time.Duration, meanwhile func()) (stopped, woken time.Time) {
	t.Helper()
	p.command.Process.Signal(syscall.SIGSTOP)
	var status syscall.WaitStatus
	if _, err := syscall.Wait4(p.command.Process.Pid, &status, syscall.WUNTRACED, nil); err != nil || !status.Stopped() {
		t.Fatalf("the process did not stop: %v, status %x", err, status)
	}
	stopped = time.Now()
	meanwhile()
	time.Sleep(time.Until(stopped.Add(long)))
	woken = time.Now()
	p.command.Process.Signal(syscall.SIGCONT)
	return stopped, woken
}

// brokerMissed is when a broker that stands still must be missed: two pings, two seconds
// apart, that are not answered by the time of the next, and what a busy computer adds.
const brokerMissed = 10 * time.Second

// atRest takes the load off and waits until no pull is in hand: nothing more is recorded.
func (b *stormBench) atRest(t *testing.T) {
	t.Helper()
	b.load.force.Store(0)
	until(t, "the bench to be at rest", func() bool {
		force := shownForce(b.web) // a tare may have been set
		return (force == "0" || strings.HasPrefix(force, "-")) && started(t, b.dir) == len(endsOf(t, b.dir))
	})
}

// TestBrokerStandsStill has an external broker stand still with its connections open,
// now and then for a moment and at last until it is missed: it answers nothing, and
// takes up again what had been sent to it. Pulls are recorded as without it, people are
// told within the time of a few pings, and in the end each record is there once.
func TestBrokerStandsStill(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 0))
	broker := reserve(t)
	server := externalBroker(t, broker, filepath.Join(t.TempDir(), "store"))
	b := newStormBench(t, t.TempDir(), broker)
	p := b.up(t)
	acked := b.record(t, "before", 5)
	b.settled(t)
	endPulls := b.load.pull(t)
	for range *stops {
		server.still(t, time.Duration(chance.IntN(300))*time.Millisecond, func() {})
		time.Sleep(time.Duration(chance.IntN(300)) * time.Millisecond)
	}
	before := len(endsOf(t, b.dir))
	var told time.Duration
	server.still(t, 0, func() {
		began := time.Now()
		until(t, "the daemon to miss its broker", func() bool { return strings.Contains(healthText(b.web), "broker: ") })
		told = time.Since(began)
		if text := scrape(t, b.web); !strings.Contains(text, "\nthimbled_broker_up 0\n") || !strings.Contains(text, "\nthimbled_force_newtons ") {
			t.Errorf("while the broker stands still the metrics say %s", text)
		}
		until(t, "a pull", func() bool { return len(endsOf(t, b.dir)) > before+1 })
	})
	if told > brokerMissed {
		t.Errorf("the broker was missed after %v", told)
	}
	endPulls()
	b.atRest(t)
	b.answers(t)
	acked = append(acked, b.record(t, "after", 5)...)
	lines := b.settled(t)
	checkAcked(t, acked, lines)
	ends := endsOf(t, b.dir)
	for _, e := range ends {
		if e.Gap > 1 { // what waits for the broker waits for seconds
			t.Errorf("pull %d was not watched for %v s", e.Pull, e.Gap)
		}
	}
	t.Logf("stood still %d times for a moment; missed after %v; %d records, %d pulls, %d of them since it stood still for long", *stops, told, len(lines), len(ends), len(ends)-before)
	p.stop(t)
	audit(t, b.dir, 0, "is sound")
}

// TestFreezeStorm stops the daemon's process again and again, for as long as a gap or
// much longer, at rest, in pulls, and so that the beginning or the end of one is not seen.
// What the instrument said before is never shown as the force of after, a pull says how
// long it was not watched, and all is recorded and published once.
func TestFreezeStorm(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	for lane := range lanes {
		t.Run(fmt.Sprint(lane), func(t *testing.T) {
			t.Parallel()
			f := &freezes{bench: newStormBench(t, t.TempDir(), ""), chance: rand.New(rand.NewPCG(seed, uint64(lane)))}
			f.bench.load.slow.Store(lane%2 == 0) // every other stop comes between request and answer
			f.daemon = f.bench.up(t)
			f.nats = dialNATS(t, f.bench.nats)
			f.nats.subscribe("bench.dock-3.reading")
			for i := range (*stops + lanes - 1) / lanes {
				f.round(t, freezeMoments[(lane+i)%len(freezeMoments)])
			}
			lines := f.bench.settled(t)
			f.daemon.stop(t)
			audit(t, f.bench.dir, 0, "is sound")
			t.Logf("stood still %d times, %v in all; %d readings after, none of them old; %d records, %d pulls",
				f.count, f.total, f.readings, len(lines), len(endsOf(t, f.bench.dir)))
		})
	}
}

// freezes are a series of stops of one daemon.
type freezes struct {
	bench    *stormBench
	daemon   *program
	nats     *rawNATS
	chance   *rand.Rand
	count    int
	total    time.Duration
	readings int
}

// freezeMoment is the force that the instrument shows before and after a stop.
type freezeMoment struct {
	name          string
	before, after uint32
}

var freezeMoments = []freezeMoment{
	{"in a pull", 8000, 9000},
	{"over the end of a pull", 8000, 0},
	{"at rest", 0, 30},
	{"over the beginning of a pull", 0, 9000},
}

// round stops the daemon once.
func (f *freezes) round(t *testing.T, m freezeMoment) {
	t.Helper()
	b := f.bench
	pulls := len(endsOf(t, b.dir))
	time.Sleep(1200 * time.Millisecond) // the rest before a pull
	if m.before > 0 {
		b.load.force.Store(m.before)
		until(t, "the pull to start", func() bool { return started(t, b.dir) == pulls+1 })
		time.Sleep(time.Duration(f.chance.IntN(300)) * time.Millisecond)
	}
	long := time.Duration(300+f.chance.IntN(2300)) * time.Millisecond
	shown := make(chan string, 1)
	stopped, woken := f.daemon.still(t, long, func() {
		go func() { shown <- shownForce(b.web) }() // the first to be answered
		b.load.force.Store(m.after)
	})
	f.count, f.total = f.count+1, f.total+woken.Sub(stopped)
	f.readings += f.nats.checkFresh(m, stopped, woken, 10)
	if said := <-shown; said == "" || said == fmt.Sprint(m.before) && woken.Sub(stopped) > stale {
		t.Errorf("%s: after %v the metrics show the force %q", m.name, woken.Sub(stopped), said)
	}
	b.atRest(t)
	if m.before > 0 {
		e := endsOf(t, b.dir)[pulls]
		if least := (woken.Sub(stopped) - 50*time.Millisecond).Seconds(); e.Gap < least || e.Verdict == "pass" {
			t.Errorf("%s: the pull was not watched for %v s, and its end says %+v", m.name, least, e)
		}
	}
}

// stale is the age from which on the metrics show no force, and a little more.
const stale = 2100 * time.Millisecond

// shownForce is the force in the metrics; "none" if there is none, empty without an answer.
func shownForce(web string) string {
	text := textAt(web, "/metrics")
	if text == "" {
		return ""
	}
	_, rest, found := strings.Cut(text, "\nthimbled_force_newtons ")
	if !found {
		return "none"
	}
	value, _, _ := strings.Cut(rest, "\n")
	return value
}

// checkFresh hears the readings until so many are of after the stop, and returns how many
// there were. An answer of the instrument from before it may have been taken a timeout
// later at most.
func (n *rawNATS) checkFresh(m freezeMoment, stopped, woken time.Time, enough int) (readings int) {
	n.t.Helper()
	for fresh := 0; fresh < enough; {
		var r struct {
			Taken time.Time `json:"taken_at"`
			Force *float64  `json:"force_newtons"`
		}
		if err := json.Unmarshal(n.next().body, &r); err != nil {
			n.t.Fatal(err)
		}
		if r.Taken.Before(stopped) || r.Force == nil {
			continue
		}
		readings++
		if *r.Force == float64(m.before) && r.Taken.After(stopped.Add(300*time.Millisecond)) {
			n.t.Fatalf("%s: the force from before the stop is shown as taken at %v; stopped at %v, woken at %v", m.name, r.Taken, stopped, woken)
		}
		if *r.Force == float64(m.after) && r.Taken.After(woken) {
			fresh++
		}
	}
	return readings
}
