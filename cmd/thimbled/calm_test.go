package main

import (
	"bytes"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// What stays wrong for an hour is told some times in each ten minutes, with how often
// it was not; what could not be recorded is told each time.
func TestCalmLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		log := newLog(&out)
		for i := range 3600 {
			log.Warn("broker connection trouble", "error", fmt.Errorf("dial tcp 127.0.0.1:%d: connection refused", 30000+i))
			log.With("line", "rs485").Warn("no answer", "tries", i)
			if i%60 == 0 {
				log.Error("event not recorded", "data", fmt.Sprintf(`{"pull":%d}`, i))
			}
			time.Sleep(time.Second)
		}
		log.Info("the end")
		text := out.String()
		for what, most := range map[string]int{"broker connection trouble": 36, "no answer": 36} {
			if n := strings.Count(text, what); n < 30 || n > most {
				t.Errorf("%q is told %d times in an hour", what, n)
			}
		}
		if n := strings.Count(text, "event not recorded"); n != 60 {
			t.Errorf("%d of 60 events that were not recorded are told", n)
		}
		if n := strings.Count(text, "not_written_again=595"); n != 12 {
			t.Errorf("%d windows tell that 595 messages were not written, not 12:\n%s", n, text)
		}
		if len(text) > 20<<10 {
			t.Errorf("an hour of trouble makes %d bytes", len(text))
		}
	})
}

// Messages that differ in more than digits are no repetitions, and how many kinds there
// are is bounded too; errors pass.
func TestCalmLogKinds(t *testing.T) {
	var out bytes.Buffer
	log := newLog(&out)
	letters := func(i int) string { return strings.Repeat("a", i%40+1) + strings.Repeat("b", i/40+1) }
	for i := range 1000 {
		log.Warn("odd " + letters(i))
	}
	if n := strings.Count(out.String(), "odd "); n != calmKinds {
		t.Errorf("%d kinds are told, not %d", n, calmKinds)
	}
	log.Error("still told")
	if !strings.Contains(out.String(), "still told") {
		t.Error("an error is not told")
	}
	log.WithGroup("g").Info("in a group", slog.Int("n", 1))
}
