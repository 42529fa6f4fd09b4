package search_test

import (
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"reflect"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/search"
)

// view is everything an index says.
func view(x *search.Index) any {
	tests, total, _ := x.Find(search.Query{})
	var pulls []search.Pull
	for n := range int64(200) {
		if p, ok := x.Pull(n); ok {
			pulls = append(pulls, p)
		}
	}
	var byJob []search.Test
	for _, t := range tests {
		one, _ := x.Test(t.Job)
		byJob = append(byJob, one)
	}
	return []any{tests, total, pulls, byJob, x.Unassigned(), x.Last(), x.Trouble()}
}

// TestFollowedIndexEqualsOneFedAtOnce: whatever comes in what portions, and
// however often the index is asked in between.
func TestFollowedIndexEqualsOneFedAtOnce(t *testing.T) {
	for seed := range uint64(4) {
		synctest.Test(t, func(t *testing.T) {
			all := slices.Collect(years(seed, 40))
			chance := rand.New(rand.NewPCG(seed, 2))
			s, x, atOnce := newShelf(), search.New(), search.New()
			go x.Run(t.Context(), s)
			for rest := all; len(rest) > 0; {
				n := min(len(rest), chance.IntN(40))
				s.put(rest[:n]...)
				for _, r := range rest[:n] {
					if err := atOnce.Add(r); err != nil {
						t.Fatal(err)
					}
				}
				rest = rest[n:]
				if a, _ := ask(t, x, search.Query{Limit: 1}); *a.Total != total(atOnce) {
					t.Fatalf("%d tests, want %d", *a.Total, total(atOnce))
				}
			}
			if got, want := view(x), view(atOnce); !reflect.DeepEqual(got, want) {
				t.Errorf("seed %d: got\n%v\nwant\n%v", seed, got, want)
			}
		})
	}
}

func total(x *search.Index) int {
	_, n, _ := x.Find(search.Query{Limit: 1})
	return n
}

// TestRunGoesOn: a second run follows from where the first one ended.
func TestRunGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		all := slices.Collect(years(9, 30))
		s, x := newShelf(all[:50]...), search.New()
		for range 2 {
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error)
			go func() { done <- x.Run(ctx, s) }()
			synctest.Wait()
			s.put(all[s.Last() : s.Last()+20]...)
			synctest.Wait()
			cancel()
			if err := <-done; err != nil {
				t.Fatalf("a run that was ended gave %v", err)
			}
		}
		if x.Last() != 90 || !reflect.DeepEqual(view(x), view(indexOf(t, all[:90]...))) {
			t.Errorf("the index stands at %d", x.Last())
		}
	})
}

func TestAnswerWaitsForWhatIsDurable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x, slow := search.New(), &slowShelf{shelf: newShelf(records(testOf(jobOf("a", "HL-1"), 1, 0, peak.Pass)...)...)}
		go x.Run(t.Context(), slow)
		synctest.Wait()
		hurry, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := x.Answer(hurry, search.Query{})
		var refusal *publish.Refusal
		if !errors.As(err, &refusal) || refusal.Code != publish.TooLate || refusal.Why != "the records are still being read, 0 of 4; ask again" {
			t.Errorf("after a second the answer is %v", err)
		}
		if a, _ := ask(t, x, search.Query{}); *a.Total != 1 {
			t.Errorf("%d tests, want 1", *a.Total)
		}
	})
}

// TestAnswerBeforeTheFirstRecord: an index that is not fed yet does not pass for
// one without tests.
func TestAnswerBeforeTheFirstRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := search.New()
		hurry, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := x.Answer(hurry, search.Query{})
		var refusal *publish.Refusal
		if !errors.As(err, &refusal) || refusal.Code != publish.TooLate {
			t.Errorf("the answer is %v", err)
		}
		go x.Run(t.Context(), newShelf())
		if a, _ := ask(t, x, search.Query{}); *a.Total != 0 {
			t.Errorf("an empty journal has %d tests", *a.Total)
		}
	})
}

// slowShelf takes a minute for each record.
type slowShelf struct{ *shelf }

func (s *slowShelf) Next(ctx context.Context, after uint64) (publish.Record, error) {
	select {
	case <-ctx.Done():
		return publish.Record{}, ctx.Err()
	case <-time.After(time.Minute):
		return s.shelf.Next(ctx, after)
	}
}

// TestAnswerAfterTheJournalFailed: what is durable but was not read is not passed
// over in silence.
func TestAnswerAfterTheJournalFailed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, x := newShelf(), search.New()
		done := make(chan error)
		go func() { done <- x.Run(t.Context(), s) }()
		synctest.Wait()
		s.close()
		if err := <-done; !errors.Is(err, errClosed) {
			t.Errorf("the run ended with %v", err)
		}
		if _, err := x.Answer(t.Context(), search.Query{}); err != nil {
			t.Errorf("with every record read the answer is %v", err)
		}
		s.put(records(testOf(jobOf("a", "HL-1"), 1, 0, peak.Pass)...)...)
		_, err := x.Answer(t.Context(), search.Query{})
		var refusal *publish.Refusal
		if !errors.As(err, &refusal) || refusal.Code != publish.Internal || refusal.Why != "the records are no longer read: closed" {
			t.Errorf("with records unread the answer is %v", err)
		}
	})
}

// TestWaitingAnswerIsReleased: a run that ends lets go of those who wait for it.
func TestWaitingAnswerIsReleased(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x, slow := search.New(), &slowShelf{shelf: newShelf(records(testOf(jobOf("a", "HL-1"), 1, 0, peak.Pass)...)...)}
		ctx, cancel := context.WithCancel(t.Context())
		go x.Run(ctx, slow)
		synctest.Wait()
		done := make(chan error)
		go func() {
			_, err := x.Answer(t.Context(), search.Query{})
			done <- err
		}()
		synctest.Wait()
		cancel()
		if err := <-done; err == nil || err.Error() != "the records are no longer read: context canceled" {
			t.Errorf("the answer is %v", err)
		}
	})
}

func TestRunGoesOnAfterABadRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c clerk
		s, x := newShelf(c.record(publish.Event{Type: peak.TypeTestEnded, Data: json.RawMessage(`{}`)})), search.New()
		for _, e := range testOf(jobOf("a", "HL-1"), 1, 0, peak.Pass) {
			s.put(c.write(e))
		}
		go x.Run(t.Context(), s)
		if a, _ := ask(t, x, search.Query{}); *a.Total != 1 || x.Trouble() == nil {
			t.Errorf("%d tests, want 1; trouble %v", *a.Total, x.Trouble())
		}
	})
}

// askedTwice gives each record twice, which no journal does.
type askedTwice struct{ *shelf }

func (s askedTwice) Next(ctx context.Context, after uint64) (publish.Record, error) {
	return s.shelf.Next(ctx, max(after, 1)-1)
}

func TestRunRefusesRecordsOutOfOrder(t *testing.T) {
	s := askedTwice{newShelf(records(testOf(jobOf("a", "HL-1"), 1, 0, peak.Pass)...)...)}
	if err := search.New().Run(t.Context(), s); !errors.Is(err, search.ErrOrder) {
		t.Errorf("got %v", err)
	}
}

// TestManyAskAtOnce: every answer is as after some whole record. In these records
// a test is inspected with the very next record, and by nobody twice.
func TestManyAskAtOnce(t *testing.T) {
	var events []peak.Event
	for n := range int64(100) {
		j := jobOf("j-"+time.Duration(n).String(), "HL-1")
		events = append(append(events, testOf(j, n+1, time.Duration(n)*time.Minute, peak.Pass)...), inspectionOf(j, time.Hour, "B. Ek", true))
	}
	s, x := newShelf(), search.New()
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	all.Go(func() { x.Run(ctx, s) })
	for range 4 {
		all.Go(func() {
			for ctx.Err() == nil {
				checkWhole(t, x)
			}
		})
	}
	for _, r := range records(events...) {
		s.put(r)
	}
	if _, err := x.Answer(t.Context(), search.Query{}); err != nil {
		t.Error(err)
	}
	cancel()
	all.Wait()
	if total(x) != 100 {
		t.Errorf("%d tests, want 100", total(x))
	}
}

func checkWhole(t *testing.T, x *search.Index) {
	tests, total, _ := x.Find(search.Query{Item: "hl-*"})
	if len(tests) != total {
		t.Errorf("%d tests of %d", len(tests), total)
	}
	for i, test := range tests {
		if i > 0 && test.Inspections != 1 || i == 0 && test.Inspections > 1 {
			t.Errorf("test %d of %d has %d inspections", i, total, test.Inspections)
		}
		if p, ok := x.Pull(test.Pulls[0].Number); !ok || p.Job != test.Job {
			t.Errorf("the pull of job %s is %+v", test.Job, p)
		}
	}
	x.Unassigned()
}
