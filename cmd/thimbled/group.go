package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
)

// group runs named tasks. The first one to fail ends the others.
type group struct {
	ctx    context.Context
	cancel context.CancelFunc
	wait   sync.WaitGroup
	mu     sync.Mutex
	errs   []error
}

func newGroup(ctx context.Context) *group {
	g := &group{}
	g.ctx, g.cancel = context.WithCancel(ctx)
	return g
}

// run starts a task. A task that returns because the context ended has not
// failed.
func (g *group) run(name string, task func(ctx context.Context) error) {
	g.wait.Go(func() {
		err := task(g.ctx)
		if err == nil || errors.Is(err, context.Canceled) && g.ctx.Err() != nil {
			return
		}
		g.mu.Lock()
		defer g.mu.Unlock()
		g.errs = append(g.errs, fmt.Errorf("%s: %w", name, err))
		g.cancel()
	})
}

// join waits for all tasks and returns what failed.
func (g *group) join() error {
	g.wait.Wait()
	g.cancel()
	g.mu.Lock()
	defer g.mu.Unlock()
	return errors.Join(g.errs...)
}
