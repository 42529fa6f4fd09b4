package page

import (
	"bufio"
	"context"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// message is one server-sent event.
type message struct{ event, id, data string }

// messages parses a stream as the HTML standard describes it: fields a line, an empty line
// ends an event.
func messages(text string) (out []message) {
	var m message
	for line := range strings.Lines(text) {
		name, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		switch name {
		case "event":
			m.event = value
		case "id":
			m.id = value
		case "data":
			m.data = value
		case "":
			if m.data != "" {
				out = append(out, m)
			}
			m = message{}
		}
	}
	return out
}

func named(all []message, event string) (out []message) {
	for _, m := range all {
		if m.event == event {
			out = append(out, m)
		}
	}
	return out
}

// viewer is a browser that takes a stream in memory.
type viewer struct {
	mu     sync.Mutex
	header http.Header
	text   strings.Builder
	status int
	fail   error
}

func (v *viewer) Header() http.Header { return v.header }

func (v *viewer) WriteHeader(status int) { v.status = status }

func (v *viewer) Write(b []byte) (int, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.fail != nil {
		return 0, v.fail
	}
	return v.text.Write(b)
}

func (v *viewer) Flush() {}

// take returns what came since the last call.
func (v *viewer) take() []message {
	v.mu.Lock()
	defer v.mu.Unlock()
	defer v.text.Reset()
	return messages(v.text.String())
}

// watch opens a stream; the function ends it.
func (d *double) watch() (*viewer, func()) {
	v := &viewer{header: http.Header{}}
	ctx, cancel := context.WithCancel(context.Background())
	r := httptest.NewRequest("GET", "http://"+testHost+"/live", nil).WithContext(ctx)
	r.RemoteAddr = "127.0.0.1:1" // this computer, which may have all streams
	ended := make(chan struct{})
	go func() { d.Handler().ServeHTTP(v, r); close(ended) }()
	return v, func() { cancel(); <-ended }
}

// TestStreamIsWhatNATSSays checks that a stream's readings and states are the bytes that
// everybody else gets, with the extremes since the message before.
func TestStreamIsWhatNATSSays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, nil)
		d.hear(time.Second, 5*peak.Newton, only(5*peak.Newton))
		v, end := d.watch()
		defer end()
		synctest.Wait()
		first := v.take()
		if len(named(first, "state")) != 1 || len(named(first, "reading")) != 1 || len(named(first, "hold")) != 1 || len(named(first, "records")) != 1 {
			t.Fatalf("a new stream begins with %v", first)
		}
		s := d.snapshot.Load()
		if got, want := named(first, "state")[0].data, string(publish.EncodeState(s, time.Second)); got != want {
			t.Errorf("the state is\n%s\nnot\n%s", got, want)
		}
		if id := first[0].id; id != d.run+"-1000" {
			t.Errorf("the id is %q", id)
		}
		at := time.Second
		hear := func(after time.Duration, net peak.Force) []message {
			at += after
			d.hear(at, net*peak.Newton, only(net*peak.Newton))
			synctest.Wait()
			return named(v.take(), "reading")
		}
		if got := hear(25*time.Millisecond, 10); len(got) != 1 {
			t.Errorf("the first step brings %v", got)
		}
		for _, net := range []peak.Force{900, -40, 20} { // a spike and a dip between two messages
			if got := hear(25*time.Millisecond, net); len(got) != 0 {
				t.Errorf("too soon came %v", got)
			}
		}
		span := publish.Span{Min: peak.Known(-40 * peak.Newton), Max: peak.Known(900 * peak.Newton)}
		want := func() string { return string(publish.EncodeReading(d.snapshot.Load(), span, at)) }
		if got := hear(100*time.Millisecond, 30); len(got) != 1 || got[0].data != want() {
			t.Errorf("the reading is\n%v\nnot\n%s", got, want())
		}
	})
}

// TestStreamKeepsItsRate follows a bench that is read fifty times a second for ten seconds.
func TestStreamKeepsItsRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, nil)
		began := time.Now()
		step := func(n int) {
			for range n {
				d.hear(time.Since(began), 5*peak.Newton, only(5*peak.Newton))
				time.Sleep(20 * time.Millisecond)
			}
		}
		step(1)
		v, end := d.watch()
		defer end()
		synctest.Wait()
		v.take()
		step(500)
		all := v.take()
		if n := len(named(all, "reading")); n < 98 || n > 101 {
			t.Errorf("%d readings in ten seconds", n)
		}
		if n := len(named(all, "state")); n < 9 || n > 11 {
			t.Errorf("%d states in ten seconds in which nothing changed", n)
		}
		time.Sleep(readingEvery)
		s := *d.snapshot.Load()
		s.State.Phase = peak.PhasePulling
		d.snapshot.Store(&s)
		d.Hear(&s, publish.Span{}, time.Since(began))
		synctest.Wait()
		states := named(v.take(), "state")
		if len(states) == 0 || !strings.Contains(states[len(states)-1].data, `"state":"pulling"`) {
			t.Errorf("a change is told as %v", states)
		}
	})
}

// TestAlarmDoesNotWait checks that an alarm, and its end, are told with the step in which
// they come, though a reading was told a moment before.
func TestAlarmDoesNotWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, nil)
		d.hear(time.Second, 0, only(0))
		v, end := d.watch()
		defer end()
		synctest.Wait()
		at := time.Second
		hear := func(alarm peak.Maybe[peak.AlarmRaised]) []message {
			at += 10 * time.Millisecond
			s := *d.snapshot.Load()
			s.State.Alarm, s.State.TakenAt = alarm, at
			d.now.Store(int64(at))
			d.snapshot.Store(&s)
			d.Hear(&s, publish.Span{}, at)
			synctest.Wait()
			return v.take()
		}
		none := peak.Maybe[peak.AlarmRaised]{}
		hear(none)
		if got := hear(none); len(got) != 0 {
			t.Fatalf("without an alarm, too soon came %v", got)
		}
		for _, alarm := range []peak.Maybe[peak.AlarmRaised]{peak.Known(peak.AlarmRaised{At: at, Alarm: peak.ForceFlat}), none} {
			got := hear(alarm)
			readings, states := named(got, "reading"), named(got, "state")
			want := `"alarm":{"alarm":"force-flat"`
			if !alarm.Known {
				want = `"alarm":null`
			}
			if len(readings) != 1 || len(states) != 1 || !strings.Contains(readings[0].data, want) || !strings.Contains(states[0].data, want) {
				t.Errorf("%s is told as %v", want, got)
			}
		}
	})
}

// TestStreamOfHungLoop stops the loop: the stream goes on, with the age of the last reading.
func TestStreamOfHungLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		d := newDouble(t, func(o *Options) { o.Now = func() time.Duration { return time.Since(began) } })
		d.hear(0, 5*peak.Newton, only(5*peak.Newton))
		v, end := d.watch()
		defer end()
		synctest.Wait()
		v.take()
		time.Sleep(3*time.Second + time.Millisecond)
		synctest.Wait()
		all := v.take()
		if readings := named(all, "reading"); len(readings) < 2 || !strings.Contains(readings[len(readings)-1].data, `"age_seconds":3`) {
			t.Errorf("readings while the loop hangs: %v", readings)
		}
		if len(named(all, "state")) != 3 {
			t.Errorf("states while the loop hangs: %v", named(all, "state"))
		}
	})
}

func TestStreamBeforeTheFirstReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, nil)
		v, end := d.watch()
		defer end()
		time.Sleep(2500 * time.Millisecond)
		synctest.Wait()
		if text := v.text.String(); !strings.HasPrefix(text, "retry: 1000\n\n") || strings.Count(text, ": nothing is known yet\n\n") != 3 || len(messages(text)) != 0 {
			t.Errorf("before anything is known the stream says %q", text)
		}
	})
}

// TestStreamsAreCounted opens as many as there may be, and one more.
func TestStreamsAreCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, nil)
		var ends []func()
		for range mostStreams {
			_, end := d.watch()
			ends = append(ends, end)
		}
		synctest.Wait()
		if len(d.streams) != mostStreams {
			t.Errorf("%d of %d streams are open", len(d.streams), mostStreams)
		}
		w := d.request("GET", "/live", "", nil)
		checkRefusal(t, "one stream too many", w.Code, w.Body.Bytes(), 503, "close one")
		if w.Header().Get("Retry-After") == "" {
			t.Error("a full bench does not say when to come again")
		}
		ends[0]()
		synctest.Wait()
		v, end := d.watch()
		synctest.Wait()
		if v.status != 0 || v.header.Get("Content-Type") != "text/event-stream" {
			t.Errorf("when one has left, the next gets %d %v", v.status, v.header)
		}
		for _, end := range append(ends[1:], end) {
			end()
		}
		if len(d.streams) != 0 {
			t.Errorf("%d streams are left over", len(d.streams))
		}
	})
}

// TestStreamOfSlowBrowser ends a stream that its browser does not take.
func TestStreamOfSlowBrowser(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, nil)
		d.hear(0, 0, only(0))
		v, end := d.watch()
		defer end()
		synctest.Wait()
		v.mu.Lock()
		v.fail = os.ErrDeadlineExceeded
		v.mu.Unlock()
		d.hear(time.Second, 0, only(0))
		synctest.Wait()
		if d.mu.Lock(); len(d.streams) != 0 {
			t.Error("the stream goes on")
		}
		d.mu.Unlock()
	})
}

// TestHearNeverWaits has as many browsers as there may be, and none takes anything.
func TestHearNeverWaits(t *testing.T) {
	d := newDouble(t, nil)
	for range mostStreams {
		if _, ok := d.join(netip.IPv6Loopback()); !ok {
			t.Fatal("no stream")
		}
	}
	s := &publish.Snapshot{State: peak.State{Net: peak.Known(peak.Newton)}}
	at := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		at += 20 * time.Millisecond
		s.State.TakenAt = at
		d.Hear(s, only(peak.Newton), at)
	}); n != 0 {
		t.Errorf("a step of the loop allocates %v times", n)
	}
}

// TestStreamOutlivesTheServersLimits reads a stream over a real connection for longer than
// the server lets requests and answers take.
func TestStreamOutlivesTheServersLimits(t *testing.T) {
	l := listen(t, "127.0.0.1:0")
	d := newDouble(t, func(o *Options) { o.Listen = l.Addr().String() })
	d.hear(0, 0, only(0))
	d.serve(t, l)
	answer, err := http.Get("http://" + l.Addr().String() + "/live")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	states := 0
	for lines := bufio.NewScanner(answer.Body); states < 2 && lines.Scan(); {
		if lines.Text() == "event: state" {
			states++
		}
	}
	if states < 2 {
		t.Errorf("the stream ended after %d states", states)
	}
}

func TestHoldLeft(t *testing.T) {
	required := peak.Known(peak.Requirement{Asked: 100 * peak.Kilonewton, Hold: 30 * time.Second})
	for name, c := range map[string]struct {
		state peak.State
		want  string
	}{
		"no requirement": {peak.State{}, `{"hold_now_seconds":0,"required_hold_seconds":null,"hold_left_seconds":null}`},
		"no time asked, below": {peak.State{Requirement: peak.Known(peak.Requirement{Asked: 100 * peak.Kilonewton}), InPull: true},
			`{"hold_now_seconds":0,"required_hold_seconds":0,"hold_left_seconds":0}`},
		"at rest": {peak.State{Requirement: required}, `{"hold_now_seconds":0,"required_hold_seconds":30,"hold_left_seconds":null}`},
		"pulling": {peak.State{Requirement: required, InPull: true}, `{"hold_now_seconds":0,"required_hold_seconds":30,"hold_left_seconds":30}`},
		"holding": {peak.State{Requirement: required, InPull: true, Hold: 12 * time.Second, HoldNow: 12 * time.Second},
			`{"hold_now_seconds":12,"required_hold_seconds":30,"hold_left_seconds":18}`},
		"a second try": {peak.State{Requirement: required, InPull: true, Hold: 29 * time.Second, HoldNow: 1500 * time.Millisecond},
			`{"hold_now_seconds":1.5,"required_hold_seconds":30,"hold_left_seconds":28.5}`},
		"reached, and let down": {peak.State{Requirement: required, InPull: true, Peak: peak.Known(101 * peak.Kilonewton), Hold: 31 * time.Second},
			`{"hold_now_seconds":0,"required_hold_seconds":30,"hold_left_seconds":0}`},
	} {
		if got := string(encodeHold(&publish.Snapshot{State: c.state})); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}
