package config

import "testing"

func TestParseMonths(t *testing.T) {
	for text, want := range map[string]int{"10 years": 120, "1 year": 12, "1 month": 1, "18 months": 18, "  2  years ": 24} {
		if got, err := parseMonths(text); err != nil || got != want {
			t.Errorf("%q: %d, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "10", "10 y", "years", "-1 years", "1.5 years", "99999 years", "10 days"} {
		if got, err := parseMonths(text); err == nil {
			t.Errorf("%q is %d months", text, got)
		}
	}
	for n, want := range map[int]string{1: "a month", 12: "a year", 120: "10 years", 18: "18 months"} {
		if got := monthsText(n); got != want {
			t.Errorf("%d: %s", n, got)
		}
	}
}
