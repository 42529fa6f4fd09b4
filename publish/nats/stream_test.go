package nats

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// losses collects what a publisher reports.
type losses struct {
	mu   sync.Mutex
	list []Loss
}

func (l *losses) add(loss Loss) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.list = append(l.list, loss)
}

func (l *losses) missing() []uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	var all []uint64
	for _, loss := range l.list {
		all = append(all, loss.Missing...)
	}
	return all
}

func (l *losses) foreign() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := 0
	for _, loss := range l.list {
		n = max(n, loss.Foreign)
	}
	return n
}

// damage stops the broker, does something to its store, and starts it again.
func damage(t *testing.T, s *Server, f func(dir string)) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stop()
	f(filepath.Join(s.opts.StoreDir, "jetstream"))
	if err := s.start(); err != nil {
		t.Fatal(err)
	}
}

func TestStoreDeleted(t *testing.T) {
	t.Parallel()
	s, j, l := embed(t), newJournal(), &losses{}
	j.add(50, "a")
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, l.add)
	run(t, p.Run)
	published(t, p)
	damage(t, s, func(dir string) {
		if err := os.RemoveAll(dir); err != nil {
			t.Fatal(err)
		}
	})
	// No new record is needed for the loss to be found and mended.
	waitFor(t, "the loss to be seen", func() bool { return len(l.missing()) == 50 })
	published(t, p)
	wantOnce(t, s.URL(), 50, true)
}

func TestStoreCutShort(t *testing.T) {
	t.Parallel()
	s, j := embed(t), newJournal()
	j.add(60, "a")
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	run(t, p.Run)
	published(t, p)
	damage(t, s, func(dir string) { cutBlock(t, dir, 0.5) })
	j.add(1, "a")
	published(t, p)
	wantOnce(t, s.URL(), 61, true)
}

// cutBlock cuts the end of the event stream's message block off, index and all.
func cutBlock(t *testing.T, dir string, keep float64) {
	t.Helper()
	msgs := filepath.Join(dir, "$G", "streams", EventStream(benchID), "msgs")
	info, err := os.Stat(filepath.Join(msgs, "1.blk"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(filepath.Join(msgs, "1.blk"), int64(float64(info.Size())*keep)); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(msgs, "index.db")); err != nil {
		t.Fatal(err)
	}
}

// One bad bit makes a message unreadable, but the broker counts it all the same,
// and it would hold up subscribers: the stream is filled anew, in order.
func TestUnreadableRecord(t *testing.T) {
	t.Parallel()
	s, j, l := embed(t), newJournal(), &repairs{}
	j.add(60, "a")
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	p.Remember(filepath.Join(t.TempDir(), "published"), l.add)
	run(t, p.Run)
	published(t, p)
	damage(t, s, func(dir string) {
		name := filepath.Join(dir, "$G", "streams", EventStream(benchID), "msgs", "1.blk")
		block, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		block[len(block)/2] ^= 1
		if err := os.WriteFile(name, block, 0o600); err != nil {
			t.Fatal(err)
		}
	})
	waitFor(t, "the repair", func() bool { return len(l.all()) == 1 })
	if r := l.all()[0]; r.LostFrom == 0 || r.LostFrom != r.LostTo || r.Restored != 60 {
		t.Errorf("repaired %+v, want one record lost and all 60 sent again", r)
	}
	wantOnce(t, s.URL(), 60, true)
}

func TestStreamDeletedByAClient(t *testing.T) {
	t.Parallel()
	s, j := embed(t), newJournal()
	j.add(20, "a")
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	p.look = 20 * time.Millisecond
	run(t, p.Run)
	published(t, p)
	c := client(t, s.URL())
	if err := plainJetStream(t, c).DeleteStream(context.Background(), EventStream(benchID)); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the stream to be filled anew", func() bool {
		info, err := plainJetStream(t, c).Stream(context.Background(), EventStream(benchID))
		return err == nil && info.CachedInfo().State.Msgs == 20
	})
	wantOnce(t, s.URL(), 20, true)
}

// Records that the middle of the stream lost are published again, each once,
// although the broker still remembers their message ids.
func TestMissingInTheMiddle(t *testing.T) {
	s, j, l := embed(t), newJournal(), &losses{}
	c := client(t, s.URL())
	lax := eventStreamConfig(benchID)
	lax.DenyDelete = false
	stream, err := plainJetStream(t, c).CreateStream(context.Background(), lax)
	if err != nil {
		t.Fatal(err)
	}
	// What is there already, as an earlier run published it.
	j.add(12, "a")
	for _, r := range j.records {
		msg, err := message(benchID, r)
		if err != nil {
			t.Fatal(err)
		}
		msg.Header.Set("Nats-Msg-Id", r.ID)
		if _, err := plainJetStream(t, c).PublishMsg(context.Background(), msg); err != nil {
			t.Fatal(err)
		}
	}
	for _, seq := range []uint64{3, 4, 9} {
		if err := stream.DeleteMsg(context.Background(), seq); err != nil {
			t.Fatal(err)
		}
	}
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, l.add)
	stop := run(t, p.Run)
	published(t, p)
	if got := l.missing(); !slices.Equal(got, []uint64{3, 4, 9}) {
		t.Errorf("reported missing %v, want 3 4 9", got)
	}
	wantOnce(t, s.URL(), 12, false)
	stop()

	// Nothing is missing for the next run, although the last message is record 9.
	again := NewPublisher(dial(t, LinkOptions{Server: s}), j, func(loss Loss) { t.Errorf("reported %+v", loss) })
	j.add(3, "a")
	run(t, again.Run)
	published(t, again)
	wantOnce(t, s.URL(), 15, false)
	if info, _ := stream.Info(context.Background()); !info.Config.DenyDelete {
		t.Error("messages can still be deleted")
	}
}

func TestAnotherJournalsStream(t *testing.T) {
	s, before, now := embed(t), newJournal(), newJournal()
	before.add(5, "before")
	old := NewPublisher(dial(t, LinkOptions{Server: s}), before, nil)
	stop := run(t, old.Run)
	published(t, old)
	stop()

	for _, records := range []int{3, 8} { // the stream is ahead of the journal; the journal of the stream
		now.add(records-int(now.Last()), "now")
		p := NewPublisher(dial(t, LinkOptions{Server: s}), now, nil)
		stop := run(t, p.Run)
		waitFor(t, "the stream to be refused", func() bool { return errors.Is(p.Trouble(), ErrStreamForeign) })
		stop()
	}
	wantOnce(t, s.URL(), 5, true)
}

func TestForeignMessages(t *testing.T) {
	s, j, l := embed(t), newJournal(), &losses{}
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, l.add)
	run(t, p.Run)
	j.add(3, "a")
	published(t, p)
	c := client(t, s.URL())
	if err := c.Publish("bench."+benchID+".event.pull.ended", []byte("not ours")); err != nil {
		t.Fatal(err)
	}
	if err := c.Flush(); err != nil {
		t.Fatal(err)
	}
	j.add(3, "a")
	published(t, p)
	if l.foreign() != 1 {
		t.Errorf("reported %d foreign messages, want 1", l.foreign())
	}
	if got := stored(t, s.URL()); !slices.Equal(got, []uint64{1, 2, 3, 0, 4, 5, 6}) {
		t.Errorf("stream holds %v", got)
	}
}

func TestStreamSettings(t *testing.T) {
	ctx := context.Background()
	s, j := embed(t), newJournal()
	js := plainJetStream(t, client(t, s.URL()))
	lax := jetstream.StreamConfig{
		Name: EventStream(benchID), Subjects: []string{"bench.dock-3.event.pull.*"},
		MaxAge: time.Hour, MaxMsgs: 10, MaxMsgsPerSubject: 1, Description: "somebody's",
	}
	if _, err := js.CreateStream(ctx, lax); err != nil {
		t.Fatal(err)
	}
	j.add(20, "a")
	p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
	run(t, p.Run)
	published(t, p)
	wantOnce(t, s.URL(), 20, true)
	stream, err := js.Stream(ctx, EventStream(benchID))
	if err != nil {
		t.Fatal(err)
	}
	c := stream.CachedInfo().Config
	if c.MaxAge != 0 || c.MaxMsgs != -1 || c.MaxMsgsPerSubject != -1 || !c.DenyPurge || !c.DenyDelete || c.Description != "somebody's" {
		t.Errorf("stream settings %+v", c)
	}
	if err := stream.Purge(ctx); err == nil {
		t.Error("stream could be purged")
	}
	if err := stream.DeleteMsg(ctx, 1); err == nil {
		t.Error("message could be deleted")
	}
}

func TestUnfitStream(t *testing.T) {
	for name, unfit := range map[string]jetstream.StreamConfig{
		"memory":     {Storage: jetstream.MemoryStorage},
		"work queue": {Retention: jetstream.WorkQueuePolicy},
		"async":      {PersistMode: jetstream.AsyncPersistMode},
	} {
		t.Run(name, func(t *testing.T) {
			s, j := embed(t), newJournal()
			unfit.Name, unfit.Subjects = EventStream(benchID), []string{eventSubjects(benchID)}
			if _, err := plainJetStream(t, client(t, s.URL())).CreateStream(context.Background(), unfit); err != nil {
				t.Fatal(err)
			}
			j.add(1, "a")
			p := NewPublisher(dial(t, LinkOptions{Server: s}), j, nil)
			run(t, p.Run)
			waitFor(t, "the stream to be refused", func() bool { return errors.Is(p.Trouble(), ErrStreamUnfit) })
		})
	}
}
