package acquire

import "time"

// longestBackOff is the most that an instrument without an answer is left out
// for the sake of its neighbours.
const longestBackOff = 5 * time.Second

// slot is the schedule of one instrument: a grid of moments, every apart, that
// never moves, so that late polls do not add up.
type slot struct {
	every    time.Duration
	cost     time.Duration // what a poll without an answer may take the line for
	due      time.Time     // of the next poll
	asked    time.Time     // when it was polled last
	missed   int           // moments passed without a poll since the last sample
	failures int           // polls without an answer in a row
}

// first says whether s is to be polled before t: whose moment came first, then
// who has less time until the next, then who was polled longer ago.
func (s *slot) first(t *slot) bool {
	switch {
	case !s.due.Equal(t.due):
		return s.due.Before(t.due)
	case s.every != t.every:
		return s.every < t.every
	}
	return s.asked.Before(t.asked)
}

// claim takes the latest moment that has come for a poll made now.
func (s *slot) claim(now time.Time) {
	s.asked = now
	if late := now.Sub(s.due); late >= s.every {
		s.skip(int(late / s.every))
	}
}

// done sets the next moment after a poll that ended now: the latest that has
// come, or the next one. So a poll may be late by nearly a period, and a line
// that is slower than it is asked to be never rests; the moments that it cannot
// serve are missed, and never made up for.
func (s *slot) done(now time.Time) {
	s.due = s.due.Add(s.every)
	if late := now.Sub(s.due); late >= s.every {
		s.skip(int(late / s.every))
	}
}

func (s *slot) skip(n int) {
	s.missed += n
	s.due = s.due.Add(time.Duration(n) * s.every)
}

// failed leaves the instrument out for a while after a poll without an answer
// that ended now: not after a single one, then for a time that doubles.
func (s *slot) failed(now time.Time) {
	s.failures++
	if s.failures == 1 {
		return
	}
	pause := s.cost
	for range s.failures - 2 {
		if pause *= 2; pause >= longestBackOff {
			pause = longestBackOff
			break
		}
	}
	if left := now.Add(pause).Sub(s.due); left > 0 {
		s.due = s.due.Add((left + s.every - 1) / s.every * s.every)
	}
}
