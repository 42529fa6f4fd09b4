package main_test

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// lanes is how many benches a storm of kills goes over at a time.
const lanes = 4

// TestKillStorm kills the daemon, and an external broker, at moments that matter:
// while it starts, while it records, while it publishes. What was acknowledged, to
// whoever asked or to whoever listens, must be in the journal, and the stream must
// in the end hold the journal, each record once and in order.
func TestKillStorm(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	for lane := range lanes {
		t.Run(fmt.Sprint(lane), func(t *testing.T) {
			t.Parallel()
			s := &storm{chance: rand.New(rand.NewPCG(seed, uint64(lane))), store: filepath.Join(t.TempDir(), "store")}
			broker := ""
			if lane%2 == 1 {
				broker = reserve(t)
				s.server = externalBroker(t, broker, s.store)
			}
			s.bench = newStormBench(t, t.TempDir(), broker)
			s.bench.load.pull(t)
			for range (*kills + lanes - 1) / lanes {
				s.round(t)
			}
			s.end(t)
		})
	}
}

// storm is a series of kills on one bench.
type storm struct {
	bench  *stormBench
	chance *rand.Rand
	server *program // the external broker; nil if embedded
	store  string

	before      []record
	acked, seen map[string]bool // commands by who asked; ids of records
	asked       int
	kills       [4]int // by what was going on
	interrupted int
}

// round starts the daemon, kills it, and checks what it left.
func (s *storm) round(t *testing.T) {
	t.Helper()
	p := s.bench.daemon(t)
	switch how := s.chance.IntN(4); how {
	case 0: // while it starts
		time.Sleep(time.Duration(s.chance.IntN(300)) * time.Millisecond)
		s.kills[how]++
	case 1: // while it records
		s.ask(t, p, time.Duration(s.chance.IntN(60))*time.Millisecond)
		s.kills[how]++
	case 2: // after it stood still for a while
		s.ask(t, p, 20*time.Millisecond)
		p.command.Process.Signal(syscall.SIGSTOP)
		time.Sleep(time.Duration(s.chance.IntN(300)) * time.Millisecond)
		p.command.Process.Signal(syscall.SIGCONT)
		time.Sleep(time.Duration(s.chance.IntN(30)) * time.Millisecond)
		s.kills[how]++
	case 3: // while its broker is gone
		if s.server == nil {
			s.ask(t, p, time.Duration(s.chance.IntN(300))*time.Millisecond)
		} else {
			s.ask(t, p, time.Duration(s.chance.IntN(30))*time.Millisecond)
			s.server.kill()
			time.Sleep(time.Duration(s.chance.IntN(50)) * time.Millisecond)
			s.server = externalBroker(t, s.bench.broker, s.store)
		}
		s.kills[how]++
	}
	p.kill()
	s.check(t)
}

// ask asks for records, one after the other, for a while.
func (s *storm) ask(t *testing.T, p *program, long time.Duration) {
	t.Helper()
	if s.acked == nil {
		s.acked, s.seen = map[string]bool{}, map[string]bool{}
	}
	var c *stormClient
	until(t, "the daemon to answer", func() bool {
		if c != nil {
			c.close()
		}
		var err error
		if c, err = dialStorm(s.bench.nats); err == nil {
			_, err = c.ask("status", "", time.Second)
		}
		return err == nil
	})
	defer c.close()
	for ends := time.Now().Add(long); time.Now().Before(ends); {
		s.asked++
		by := fmt.Sprintf("storm-%d", s.asked)
		if _, err := c.ask("tare", tareBy(by, s.asked), time.Until(ends)); err == nil {
			s.acked[by] = true
		}
	}
	for _, id := range c.seen {
		s.seen[id] = true
	}
}

// check looks for everything that was acknowledged.
func (s *storm) check(t *testing.T) {
	t.Helper()
	after := journalOf(t, s.bench.dir)
	checkKept(t, s.before, after)
	if len(after) > len(s.before) {
		s.interrupted += checkInterrupted(t, s.before, after[len(s.before):])
	}
	there, ids := map[string]int{}, map[string]bool{}
	for _, r := range after {
		ids[r.ID] = true
		if _, rest, ok := strings.Cut(string(r.Data), `"by":"`); ok && r.Type == "thimbled.tare.set" {
			by, _, _ := strings.Cut(rest, `"`)
			there[by]++
		}
	}
	for by := range s.acked {
		if there[by] != 1 {
			t.Fatalf("what %s was told is recorded stands %d times in the journal", by, there[by])
		}
	}
	for id := range s.seen {
		if !ids[id] {
			t.Fatalf("record %s was heard of and is not in the journal", id)
		}
	}
	s.before = after
}

// end compares the stream with the journal.
func (s *storm) end(t *testing.T) {
	t.Helper()
	s.bench.load.force.Store(0)
	p := s.bench.up(t)
	lines := s.bench.settled(t)
	p.stop(t)
	audit(t, s.bench.dir, 0, "is sound")
	// A broker that was killed while it made its stream leaves half of one, in which
	// there is nothing to lose.
	repairs := repairsIn(t, lines)
	for _, x := range repairs {
		if x.From != nil {
			t.Errorf("a kill made the broker lose records: %v", describe(repairs))
		}
	}
	t.Logf("killed while starting %d, recording %d, after a stop %d, without broker or publishing %d; %d of %d commands acknowledged, %d records seen; %d records, %d interrupted pulls, %d repairs",
		s.kills[0], s.kills[1], s.kills[2], s.kills[3], len(s.acked), s.asked, len(s.seen), len(lines), s.interrupted, len(repairs))
}
