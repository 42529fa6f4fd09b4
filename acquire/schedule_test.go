package acquire

import (
	"testing"
	"time"
)

func TestSlots(t *testing.T) {
	start := time.Now()
	after := func(d time.Duration) time.Time { return start.Add(d) }
	for what, c := range map[string]struct {
		asked, ended time.Duration // of a poll due at 0, with a period of 20 ms
		served, next time.Duration
		missed       int
	}{
		"in time":                  {0, 5 * ms, 0, 20 * ms, 0},
		"takes a period":           {0, 20 * ms, 0, 20 * ms, 0},
		"nearly two periods":       {0, 39 * ms, 0, 20 * ms, 0},
		"two periods":              {0, 40 * ms, 0, 40 * ms, 1},
		"more than two":            {0, 41 * ms, 0, 40 * ms, 1},
		"asked late":               {19 * ms, 24 * ms, 0, 20 * ms, 0},
		"asked a whole period on":  {20 * ms, 25 * ms, 20 * ms, 40 * ms, 1},
		"asked long afterwards":    {1015 * ms, 1018 * ms, 1000 * ms, 1020 * ms, 50},
		"and answered long after ": {1015 * ms, 2018 * ms, 1000 * ms, 2000 * ms, 99},
	} {
		s := slot{every: 20 * ms, due: start}
		s.claim(after(c.asked))
		served := s.due.Sub(start)
		s.done(after(c.ended))
		if next := s.due.Sub(start); served != c.served || next != c.next || s.missed != c.missed {
			t.Errorf("%s: served %v, next %v, missed %d; want %v, %v, %d", what, served, next, s.missed, c.served, c.next, c.missed)
		}
	}
}

func TestBackOff(t *testing.T) {
	start := time.Now()
	s := slot{every: 50 * ms, cost: 500 * ms, due: start.Add(50 * ms)}
	for i, want := range []time.Duration{50 * ms, 500 * ms, time.Second, 2 * time.Second, 4 * time.Second, 5 * time.Second, 5 * time.Second} {
		s.due = start.Add(50 * ms)
		s.failed(start)
		if got := s.due.Sub(start); got != want {
			t.Errorf("failure %d: next after %v, want %v", i+1, got, want)
		}
	}
	if s.missed != 0 {
		t.Errorf("what is left out on purpose was counted as missed: %d", s.missed)
	}
	s = slot{every: 10 * time.Second, cost: 10 * time.Second, due: start.Add(10 * time.Second), failures: 9}
	if s.failed(start); s.due.Sub(start) != 10*time.Second {
		t.Errorf("a slow instrument is left out until %v", s.due.Sub(start))
	}
}
