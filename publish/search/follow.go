package search

import (
	"context"
	"errors"
	"fmt"

	"thimbled/publish"
)

// Run follows a journal until ctx ends, which is no error, or until the journal
// cannot be read. A record that cannot be understood is left out and told by
// [Index.Trouble].
func (x *Index) Run(ctx context.Context, from publish.Records) error {
	err := x.belongs(ctx, from)
	if err == nil {
		x.follow(from)
		err = x.take(ctx, from)
	}
	x.stop(err)
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// take adds records; it returns when there are no more to be had.
func (x *Index) take(ctx context.Context, from publish.Records) error {
	for {
		r, err := from.Next(ctx, x.Last())
		if err != nil {
			return err
		}
		if err := x.Add(r); errors.Is(err, ErrOrder) {
			return err
		}
	}
}

func (x *Index) follow(from publish.Records) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.from, x.stopped = from, nil
	x.wake()
}

func (x *Index) stop(why error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.stopped = why
	x.wake()
}

// CatchUp waits until the index has every record that was durable when it was
// asked. An index that is fed by hand has what it has; one that has nothing yet is
// about to be fed. An error is a [*publish.Refusal]: ctx ended first, or Run has
// ended.
func (x *Index) CatchUp(ctx context.Context) error {
	goal, set := uint64(0), false
	for {
		s := x.standing()
		if !set && s.from != nil {
			goal, set = s.from.Last(), true
		}
		switch {
		case set && s.last >= goal, s.from == nil && s.fed:
			return nil
		case s.stopped != nil:
			return &publish.Refusal{Code: publish.Internal, Why: fmt.Sprintf("the records are no longer read: %v", s.stopped)}
		}
		select {
		case <-ctx.Done():
			return &publish.Refusal{Code: publish.TooLate, Why: fmt.Sprintf("the records are still being read, %d of %d; ask again", s.last, goal)}
		case <-s.grew:
		}
	}
}

// standing is how far an index has come.
type standing struct {
	last    uint64
	fed     bool            // by hand, before Run
	from    publish.Records // nil before Run
	stopped error
	grew    <-chan struct{} // closed at the next change
}

func (x *Index) standing() standing {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.grew == nil {
		x.grew = make(chan struct{})
	}
	return standing{last: x.last, fed: x.dir == "" && x.last > 0, from: x.from, stopped: x.stopped, grew: x.grew}
}
