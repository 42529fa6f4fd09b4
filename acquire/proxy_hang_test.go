//go:build linux

package acquire_test

import (
	"context"
	"flag"
	"math/rand/v2"
	"sync"
	"syscall"
	"testing"
	"time"

	"thimbled/acquire"
	"thimbled/peak"
)

var hangs = flag.Int("hangs", 3, "times that each server is stopped")

// TestHangingInstrument stops the server's process again and again, for less and for
// longer than the worst answer time, while it is asked on. When it goes on it answers all that it
// was asked meanwhile, one answer behind the other. None of the late ones may be accepted.
func TestHangingInstrument(t *testing.T) {
	t.Parallel()
	program := buildPeer(t)
	var running sync.WaitGroup
	for i, kind := range []acquire.Kind{acquire.RTU, acquire.TCP, acquire.RTUOverTCP} {
		p := newProxy(t, program, kind, timing{100 * ms, 200 * ms}, *proxySeed, uint64(i))
		p.unbounded, p.patience = true, time.Minute
		o := newOutcomes(t, p)
		running.Go(func() { o.pollHanging(*hangs) })
	}
	running.Wait()
}

func (o *outcomes) pollHanging(hangs int) {
	ctx, cancel := context.WithTimeout(o.t.Context(), 10*time.Minute+time.Duration(hangs)*2*time.Second)
	defer cancel()
	place, stop := o.p.start(o.t)
	chance := rand.New(rand.NewPCG(*proxySeed, 9))
	server := o.p.peer.command.Process
	inARow, hung, late := 0, 0, time.Time{}
	err := acquire.Poll(ctx, o.p.line(place), time.Now(), func(s acquire.Sample) {
		o.see(s)
		if inARow++; s.Quality != peak.Good {
			inARow = 0
		}
		switch {
		case inARow < 6 || time.Now().Before(late):
		case hung == hangs:
			cancel()
		default:
			hung, inARow = hung+1, 0
			time.Sleep(time.Duration(chance.Int64N(int64(3 * ms)))) // anywhere in an exchange
			d := time.Duration(chance.Int64N(int64(5 * o.p.timing.worst)))
			late = time.Now().Add(d)
			if err := server.Signal(syscall.SIGSTOP); err != nil {
				o.t.Error(err)
			}
			time.AfterFunc(d, func() {
				o.p.goesOn()
				server.Signal(syscall.SIGCONT)
			})
		}
	})
	server.Signal(syscall.SIGCONT)
	stop()
	o.judge()
	if err != nil || hung < hangs {
		o.t.Errorf("%s: %v, %d of %d hangs", o.p.kind, err, hung, hangs)
	}
	o.t.Logf("%s: %d hangs, %d requests, %d good, %d wrong accepted, %d while this computer was too slow", o.p.kind, hung, o.p.asking.newest().number, o.good, o.wrong, o.overdue)
}
