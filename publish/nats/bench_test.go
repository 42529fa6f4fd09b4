package nats

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"thimbled/publish"
)

const benchID = "dock-3"

// journal is a source of records in memory.
type journal struct {
	mu      sync.Mutex
	records []publish.Record
	grown   chan struct{} // closed and replaced with each record
}

func newJournal() *journal { return &journal{grown: make(chan struct{})} }

// add appends records; tag makes their content differ from another journal's.
func (j *journal) add(n int, tag string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for range n {
		number := uint64(len(j.records) + 1)
		e := publish.Event{
			Type: "thimbled.pull.ended", Time: time.Date(2026, 11, 25, 9, 0, int(number%60), 0, time.UTC),
			Data: json.RawMessage(fmt.Sprintf(`{"pull":%d,"tag":%q}`, number, tag)),
		}
		r := publish.Record{Event: e, Number: number, ID: publish.ID(benchID, number), Source: publish.Source(benchID)}
		r.Line = append(publish.AppendEnvelope(nil, benchID, number, e), fmt.Sprintf(`,"sequence":"%020d"}`, number)...)
		j.records = append(j.records, r)
	}
	close(j.grown)
	j.grown = make(chan struct{})
}

func (j *journal) Next(ctx context.Context, after uint64) (publish.Record, error) {
	for {
		j.mu.Lock()
		if after < uint64(len(j.records)) {
			defer j.mu.Unlock()
			return j.records[after], nil
		}
		grown := j.grown
		j.mu.Unlock()
		select {
		case <-grown:
		case <-ctx.Done():
			return publish.Record{}, ctx.Err()
		}
	}
}

func (j *journal) Last() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return uint64(len(j.records))
}

// quiet drops the log unless the tests are verbose.
func quiet() *slog.Logger {
	if testing.Verbose() {
		return slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	return slog.New(slog.DiscardHandler)
}

func embed(t testing.TB) *Server {
	t.Helper()
	s, err := Embed(ServerOptions{Bench: benchID, StoreDir: t.TempDir(), Listen: "127.0.0.1:0", Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	return s
}

func dial(t testing.TB, o LinkOptions) *Link {
	t.Helper()
	o.Bench, o.Log = benchID, quiet()
	l, err := Dial(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.Close)
	return l
}

// client connects to a broker over TCP with plain nats.go.
func client(t testing.TB, url string) *natsgo.Conn {
	t.Helper()
	c, err := natsgo.Connect(url, natsgo.ReconnectWait(50*time.Millisecond), natsgo.MaxReconnects(-1))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func plainJetStream(t testing.TB, c *natsgo.Conn) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// run starts a task and returns a function that ends it and waits.
func run(t testing.TB, task func(context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- task(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("task ended with %v", err)
			}
		case <-time.After(10 * time.Second):
			t.Error("task did not end")
		}
	})
	t.Cleanup(stop)
	return stop
}

func waitFor(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain for %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// published waits until the publisher says that all records are in the stream.
func published(t testing.TB, p *Publisher) {
	t.Helper()
	waitFor(t, "all records to be published", func() bool {
		n, known := p.Unpublished()
		return known && n == 0 && p.Trouble() == nil
	})
}

// stored reads the record numbers of the stream, in its order, with an
// independent client over TCP.
func stored(t testing.TB, url string) []uint64 {
	t.Helper()
	c, err := natsgo.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	// A plain subscription with a deliver-all consumer of the client's older API,
	// to share no code with the publisher's scan.
	js, err := c.JetStream()
	if err != nil {
		t.Fatal(err)
	}
	sub, err := js.SubscribeSync("bench."+benchID+".event.>", natsgo.OrderedConsumer(), natsgo.BindStream("BENCH_"+benchID))
	if err != nil {
		t.Fatal(err)
	}
	var list []uint64
	for info, _ := js.StreamInfo("BENCH_" + benchID); uint64(len(list)) < info.State.Msgs; {
		m, err := sub.NextMsg(5 * time.Second)
		if err != nil {
			t.Fatalf("read message %d of %d: %v", len(list)+1, info.State.Msgs, err)
		}
		var n uint64
		if _, err := fmt.Sscanf(m.Header.Get("ce-id"), benchID+"-%d", &n); err != nil {
			n = 0
		}
		list = append(list, n)
	}
	return list
}

// wantOnce checks that the stream holds each record from 1 to n once; in order
// unless some had to be published again.
func wantOnce(t testing.TB, url string, n int, inOrder bool) {
	t.Helper()
	got := stored(t, url)
	if !inOrder {
		slices.Sort(got)
	}
	if want := numbers(1, uint64(n)); !slices.Equal(got, want) {
		t.Fatalf("stream holds %d messages %v, want records 1 to %d once each", len(got), brief(got), n)
	}
}

func brief(list []uint64) string {
	if len(list) > 40 {
		return fmt.Sprintf("%v … %v", list[:20], list[len(list)-20:])
	}
	return fmt.Sprint(list)
}
