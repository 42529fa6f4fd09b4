package metrics

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"thimbled/publish"
)

func TestHealth(t *testing.T) {
	well := func() *publish.Snapshot { s := midPull(); s.Instruments = s.Instruments[:1]; return s }
	for name, c := range map[string]struct {
		snapshot *publish.Snapshot
		change   func(*publish.Snapshot)
		now      time.Duration
		broker   error
		status   int
		body     string
	}{
		"well": {well(), nil, 100 * time.Second, nil, 200, "ok\n"},
		"dead instrument": {midPull(), nil, 100 * time.Second, nil, 200,
			"ok\ninstrument pressure: last good reading 20.0 s ago: no answer in 100 ms\n"},
		"instrument never seen": {midPull(), func(s *publish.Snapshot) { s.Instruments[1] = publish.Instrument{Name: "pressure"} }, 100 * time.Second, nil, 200,
			"ok\ninstrument pressure: no good reading yet\n"},
		"broker away":  {well(), nil, 100 * time.Second, errors.New("broker cannot\nbe reached"), 200, "ok\nbroker: broker cannot be reached\n"},
		"just fresh":   {well(), nil, 102 * time.Second, nil, 200, "ok\n"},
		"stuck loop":   {well(), nil, 102*time.Second + time.Millisecond*100, nil, 503, "not healthy\nloop: last step 2.1 s ago\n"},
		"not started":  {nil, nil, 0, nil, 503, "not healthy\nloop: not started yet\n"},
		"journal gone": {well(), func(s *publish.Snapshot) { s.JournalFailed = "sync: input/output error" }, 100 * time.Second, nil, 503, "not healthy\njournal: sync: input/output error\n"},
	} {
		t.Run(name, func(t *testing.T) {
			if c.change != nil {
				c.change(c.snapshot)
			}
			m := New(Options{
				Snapshot: func() *publish.Snapshot { return c.snapshot }, Now: func() time.Duration { return c.now },
				Broker: func() error { return c.broker },
			})
			w := httptest.NewRecorder()
			m.Health().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/healthz", nil))
			if w.Code != c.status || w.Body.String() != c.body {
				t.Errorf("%d %q, want %d %q", w.Code, w.Body, c.status, c.body)
			}
		})
	}
}
