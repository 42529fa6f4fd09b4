package search

import (
	"strconv"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// newtons is a force as events have it: an exact decimal number of newtons.
type newtons peak.Force

func (n newtons) MarshalJSON() ([]byte, error) { return peak.Force(n).AppendNewtons(nil), nil }

func (n *newtons) UnmarshalJSON(b []byte) error {
	f, err := peak.ParseForce(string(b) + " N")
	*n = newtons(f)
	return err
}

func (n *newtons) maybe() peak.Maybe[peak.Force] {
	if n == nil {
		return peak.Maybe[peak.Force]{}
	}
	return peak.Known(peak.Force(*n))
}

func maybeNewtons(m peak.Maybe[peak.Force]) *newtons {
	if !m.Known {
		return nil
	}
	n := newtons(m.Value)
	return &n
}

// seconds is a duration as events have it: an exact decimal number of seconds.
type seconds time.Duration

func (s seconds) MarshalJSON() ([]byte, error) {
	return peak.AppendSeconds(nil, time.Duration(s)), nil
}

func (s *seconds) UnmarshalJSON(b []byte) error {
	d, err := peak.ParseDuration(string(b) + " s")
	*s = seconds(d)
	return err
}

// stamp is a moment as events have it.
type stamp time.Time

func (s stamp) MarshalJSON() ([]byte, error) {
	return strconv.AppendQuote(nil, publish.Stamp(time.Time(s))), nil
}
