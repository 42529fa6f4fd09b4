package search

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"thimbled/peak"
)

// ParseSince reads the moment from which on something is wanted: a date such as
// 2026-11-01, which is its first moment where now is, a moment as in RFC 3339, or
// how long before now: 30d, 2w (days and weeks of the calendar), 36h, 90m.
func ParseSince(s string, now time.Time) (time.Time, error) {
	at, _, err := parseMoment(s, now)
	return at, err
}

// ParseUntil reads the moment before which something is wanted, as [ParseSince]
// does; a date is wanted to its end.
func ParseUntil(s string, now time.Time) (time.Time, error) {
	at, isDate, err := parseMoment(s, now)
	if isDate {
		at = at.AddDate(0, 0, 1)
	}
	return at, err
}

func parseMoment(s string, now time.Time) (at time.Time, isDate bool, err error) {
	text := strings.TrimSpace(s)
	if at, err := time.ParseInLocation(time.DateOnly, text, now.Location()); err == nil {
		return at, true, nil
	}
	if at, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return at, false, nil
	}
	if at, ok := before(text, now); ok {
		return at, false, nil
	}
	return time.Time{}, false, fmt.Errorf("%q is no time: write a date such as 2026-11-01, a moment such as 2026-11-01T08:00:00Z, or how long ago, such as 30d", s)
}

// mostDays bounds a span: more days than there is a calendar for.
const mostDays = 1_000_000

// before returns the moment that lies a span before now.
func before(span string, now time.Time) (time.Time, bool) {
	for suffix, days := range map[string]int{"d": 1, "w": 7} {
		number, ok := strings.CutSuffix(span, suffix)
		if !ok {
			continue
		}
		n, err := strconv.ParseUint(strings.TrimSpace(number), 10, 32)
		return now.AddDate(0, 0, -int(n)*days), err == nil && n <= mostDays
	}
	d, err := peak.ParseDuration(span)
	return now.Add(-d), err == nil && d >= 0
}
