package nats

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"thimbled/peak"
	"thimbled/publish"
)

// stateEvery is the longest time between two states.
const stateEvery = time.Second

// State keeps the last known state on bench.<id>.state, in a stream that holds
// one message in memory. It is renewed on each change of anything but a measured
// value, and each second. A newcomer subscribes to the subject and reads the
// last message with a direct get on $JS.API.DIRECT.GET.STATE_<id>.bench.<id>.state,
// or by hand:
//
//	nats stream get STATE_dock-3 --last-for bench.dock-3.state
//
// It is the last known state, not the present one: taken_at says of when, and
// a message older than two seconds means that nobody renews it.
type State struct {
	link *Link
	wake chan struct{}

	mu   sync.Mutex
	last *publish.Snapshot // handed to Run last
	due  time.Duration     // elapsed time at which it is renewed anyway
	next *handed
}

// NewState returns a keeper of the state.
func NewState(link *Link) *State { return &State{link: link, wake: make(chan struct{}, 1)} }

// Publish offers a snapshot; now is the elapsed time. It never waits for the
// broker. One caller at a time.
func (s *State) Publish(snapshot *publish.Snapshot, now time.Duration) {
	s.mu.Lock()
	if now < s.due && s.last != nil && !changed(s.last, snapshot) {
		s.mu.Unlock()
		return
	}
	s.last, s.due = snapshot, now+stateEvery
	s.next = &handed{snapshot: snapshot, now: now, at: time.Now()}
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// testProgress is what of an open test can change.
type testProgress struct {
	job  string
	made int
	next peak.Maybe[int]
}

func standing(m peak.Maybe[peak.OpenTest]) testProgress {
	return testProgress{job: m.Value.Job.ID, made: len(m.Value.Made), next: m.Value.Next}
}

// changed says whether anything but a measured value differs.
func changed(a, b *publish.Snapshot) bool {
	x, y := a.State, b.State
	return x.Quality != y.Quality || x.Phase != y.Phase || x.Zero != y.Zero || x.Tare != y.Tare ||
		x.Stable != y.Stable || x.Tracking != y.Tracking || x.Pull != y.Pull || x.InPull != y.InPull ||
		x.Requirement != y.Requirement || x.Verdict != y.Verdict || x.Alarm != y.Alarm || standing(x.Job) != standing(y.Job) ||
		a.JournalRecords != b.JournalRecords || a.JournalFailed != b.JournalFailed ||
		!slices.EqualFunc(a.Instruments, b.Instruments, func(i, j publish.Instrument) bool {
			return i.Name == j.Name && i.Quality == j.Quality && i.Lost == j.Lost && i.Why == j.Why
		})
}

// Run sends the state until ctx ends. A state that cannot be sent is dropped: the
// next one comes within a second.
func (s *State) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-s.wake:
		}
		h := s.take()
		if h == nil {
			continue // taken with the one before
		}
		data := publish.EncodeState(h.snapshot, h.now+time.Since(h.at))
		if err := s.store(ctx, data); err != nil && ctx.Err() == nil {
			s.link.log.Debug("state not stored", "error", err)
		}
	}
}

func (s *State) take() *handed {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.next
	s.next = nil
	return h
}

// store publishes a state, and makes the stream if there is none to take it.
func (s *State) store(ctx context.Context, data []byte) error {
	ctx, cancel := context.WithTimeout(ctx, stateEvery)
	defer cancel()
	subject := stateSubject(s.link.bench)
	_, err := s.link.state.Publish(ctx, subject, data, jetstream.WithRetryAttempts(0))
	if !errors.Is(err, jetstream.ErrNoStreamResponse) {
		return err
	}
	if _, err := s.link.state.CreateOrUpdateStream(ctx, stateStreamConfig(s.link.bench)); err != nil {
		return err
	}
	_, err = s.link.state.Publish(ctx, subject, data, jetstream.WithRetryAttempts(0))
	return err
}

func stateStreamConfig(bench string) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: StateStream(bench), Description: "last known state of bench " + bench,
		Subjects: []string{stateSubject(bench)}, Storage: jetstream.MemoryStorage,
		MaxMsgsPerSubject: 1, MaxMsgs: 1, AllowDirect: true,
	}
}
