package modbus

import (
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// hangingSlave stops answering at the first request after it was told to hang. When it goes on it
// answers what it was asked meanwhile, in that order and pace apart, and then as before.
type hangingSlave struct {
	t    *testing.T
	line *line
	pace time.Duration
	only int // how many of those it still answers; 0 means all

	mu      sync.Mutex
	hanging bool
	asked   [][]byte
	busy    time.Time // until when it still answers late
}

func (s *hangingSlave) answer(request []byte) []piece {
	good := goodRTU(parseRTU(s.t, request))
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.hanging {
		s.asked = append(s.asked, good)
		return nil
	}
	return once(max(turn, time.Until(s.busy)+turn), good)
}

func (s *hangingSlave) hang() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.hanging = true
}

func (s *hangingSlave) goOn() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.hanging = false
	if s.only > 0 && len(s.asked) > s.only {
		s.asked = s.asked[:s.only]
	}
	for i, b := range s.asked {
		time.AfterFunc(time.Duration(i)*s.pace, func() { s.line.deliver(b) })
	}
	s.busy, s.asked = time.Now().Add(time.Duration(len(s.asked))*s.pace), nil
}

// An instrument that hangs for longer than the worst answer time owes an answer for
// each request that it was sent, and so does a line that holds them up. However the
// late ones come, none may be taken for that to a later request, and good ones must
// come again.
func TestHang(t *testing.T) {
	for _, only := range []int{0, 1} {
		for _, pace := range []time.Duration{0, time.Millisecond, 20 * time.Millisecond, 90 * time.Millisecond} {
			for hang := 390 * time.Millisecond; hang < 1700*time.Millisecond; hang += 19 * time.Millisecond {
				if only == 1 && hang < time.Second {
					continue // one late answer alone, where two are not known to be owed
				}
				synctest.Test(t, func(t *testing.T) { playHang(t, hang, pace, only) })
			}
		}
	}
}

func playHang(t *testing.T, hang, pace time.Duration, only int) {
	l := newLine(nil)
	slave := &hangingSlave{t: t, line: l, pace: pace, only: only}
	l.slave = slave.answer
	c := rtuClient(l, testRTU)
	address, good := uint16(0), 0
	read := func() error {
		address++
		return poll(t, c, Request{Unit: 1, Table: Input, Address: 3 * address, Count: 2})
	}
	if err := read(); err != nil {
		t.Fatal(err)
	}
	slave.hang()
	time.AfterFunc(hang, slave.goOn)
	for range 20 {
		if read() == nil {
			good++
		}
	}
	if good < 10 {
		t.Errorf("hang of %v, pace %v: %d of 20 good", hang, pace, good)
	}
}

// A lost answer costs the line the worst answer time, and the next one the time in which a
// second answer would come. Units that answered all they were asked wait for nothing.
func TestLostAnswerCosts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		asked := 0
		l := newLine(func(request []byte) []piece {
			if asked++; asked == 2 {
				return nil
			}
			return once(turn, goodRTU(parseRTU(t, request)))
		})
		c := rtuClient(l, testRTU)
		lost := 1
		for i, c2 := range []struct {
			unit byte
			most time.Duration
		}{
			{1, testRTU.WorstAnswer}, // as for every new client
			{1, testRTU.Timeout},
			{2, testRTU.WorstAnswer - testRTU.Timeout},
			{1, testRTU.Timeout},
			{1, 0},
			{2, 0},
		} {
			start := time.Now()
			err := poll(t, c, Request{Unit: c2.unit, Table: Input, Address: uint16(i), Count: 2})
			if took := time.Since(start); (err != nil) != (i == lost) || took > c2.most+2*turn+17*testChar {
				t.Errorf("request %d took %v: %v", i, took, err)
			}
		}
	})
}
