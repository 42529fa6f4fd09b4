package page

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// shelf is a journal that has the same records for ever.
type shelf []publish.Record

func (s shelf) Last() uint64 { return uint64(len(s)) }

func (s shelf) Next(ctx context.Context, after uint64) (publish.Record, error) {
	if after < s.Last() {
		return s[after], nil
	}
	<-ctx.Done()
	return publish.Record{}, ctx.Err()
}

// double is a page with what a daemon would give it.
type double struct {
	*Page
	snapshot atomic.Pointer[publish.Snapshot]
	now      atomic.Int64
	asked    []string
	answer   error
	traces   map[string]string
}

const testHost = "127.0.0.1:8040"

var errNoPaper = errors.New("no paper in the printer")

func newDouble(t testing.TB, change func(*Options)) *double {
	t.Helper()
	d := &double{traces: map[string]string{}}
	o := Options{
		Bench: "dock-3", Capacity: 250 * peak.Kilonewton, Show: peak.UnitKN, Division: 50 * peak.Newton, PressureUnit: peak.UnitBar,
		Listen: testHost, Snapshot: d.snapshot.Load, Now: func() time.Duration { return time.Duration(d.now.Load()) }, Records: shelf(nil),
		Trace: func(name string) (io.ReadCloser, error) {
			text, ok := d.traces[name]
			if !ok {
				return nil, errors.New("no such trace")
			}
			return io.NopCloser(strings.NewReader(text)), nil
		},
		Ask: func(_ context.Context, command string, body []byte) ([]byte, error) {
			d.asked = append(d.asked, command+" "+string(body))
			return []byte(`{"done":true}`), d.answer
		},
		Certificate: func(_ context.Context, job, format string) ([]byte, string, error) {
			if job == "none" {
				return nil, "", errNoPaper
			}
			return []byte("paper of " + job), map[string]string{"pdf": "application/pdf", "html": "text/html; charset=utf-8"}[format], d.answer
		},
	}
	if change != nil {
		change(&o)
	}
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	d.Page = p
	return d
}

// hear puts a reading on the bench.
func (d *double) hear(at time.Duration, net peak.Force, span publish.Span) {
	s := &publish.Snapshot{Bench: "dock-3", Version: "0.1.0", State: peak.State{
		At: at, TakenAt: at, Phase: peak.PhaseAtRest, Net: peak.Known(net), Pressure: peak.Known(3 * peak.Bar),
	}}
	d.now.Store(int64(at))
	d.snapshot.Store(s)
	d.Hear(s, span, at)
}

func only(f peak.Force) publish.Span { return publish.Span{Min: peak.Known(f), Max: peak.Known(f)} }

// request makes a request as this page makes it.
func (d *double) request(method, path, body string, change func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://"+testHost+path, strings.NewReader(body))
	if method == "POST" {
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", "http://"+testHost)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	d.Handler().ServeHTTP(w, r)
	return w
}

// serve serves the page on a port of this machine, with limits far shorter than a
// stream.
func (d *double) serve(t testing.TB, l net.Listener) {
	t.Helper()
	server := &http.Server{Handler: d.Handler(), ReadTimeout: 200 * time.Millisecond, WriteTimeout: 200 * time.Millisecond}
	ended := make(chan struct{})
	go func() { server.Serve(l); close(ended) }()
	t.Cleanup(func() { server.Close(); <-ended })
}

func listen(t testing.TB, address string) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	return l
}
