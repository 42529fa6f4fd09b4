package main

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"time"
)

const (
	// calmWindow and calmBurst bound a log: of messages that are alike no more than
	// the burst are written in a window, and then how many were not.
	calmWindow = 10 * time.Minute
	calmBurst  = 5
	// calmKinds bounds how many kinds of messages are told apart.
	calmKinds = 512
)

// calmLog is a log that says again and again what stays wrong, but not each time.
// Messages are alike if they differ in nothing but digits: ports, times and counts.
// Errors are alike only if they are equal, since one may carry what could not be
// recorded elsewhere.
type calmLog struct {
	slog.Handler
	kinds *calmCount
	with  string // the attributes given beforehand
}

// calmCount counts what was written and what was not, by kind.
type calmCount struct {
	mu    sync.Mutex
	kinds map[string]*calmKind
}

type calmKind struct {
	since      time.Time
	level      slog.Level
	message    string
	shown      int
	suppressed int
}

func calm(h slog.Handler) slog.Handler {
	return &calmLog{Handler: h, kinds: &calmCount{kinds: map[string]*calmKind{}}}
}

// Handle writes a record, unless enough of its kind were.
func (c *calmLog) Handle(ctx context.Context, r slog.Record) error {
	show, before := c.kinds.count(kindOf(c.with, r), r)
	for _, k := range before {
		if err := c.Handler.Handle(ctx, k.summary(r.Time)); err != nil {
			return err
		}
	}
	if !show {
		return nil
	}
	return c.Handler.Handle(ctx, r)
}

// WithAttrs returns the log with attributes in each record.
func (c *calmLog) WithAttrs(attrs []slog.Attr) slog.Handler {
	with := c.with
	for _, a := range attrs {
		with += a.String() + " "
	}
	return &calmLog{Handler: c.Handler.WithAttrs(attrs), kinds: c.kinds, with: with}
}

// WithGroup returns the log with a group around what comes.
func (c *calmLog) WithGroup(name string) slog.Handler {
	return &calmLog{Handler: c.Handler.WithGroup(name), kinds: c.kinds, with: c.with + name + "."}
}

// summary tells how many messages of a kind were not written.
func (k *calmKind) summary(at time.Time) slog.Record {
	r := slog.NewRecord(at, k.level, k.message, 0)
	r.AddAttrs(slog.Int("not_written_again", k.suppressed), slog.Duration("within", calmWindow))
	return r
}

func kindOf(with string, r slog.Record) string {
	text := strings.Builder{}
	text.WriteString(r.Level.String() + " " + r.Message + " " + with)
	r.Attrs(func(a slog.Attr) bool {
		text.WriteString(a.String() + " ")
		return true
	})
	if r.Level >= slog.LevelError {
		return text.String()
	}
	return strings.Map(func(r rune) rune {
		if '0' <= r && r <= '9' {
			return -1
		}
		return r
	}, text.String())
}

// count takes a record into account: whether it is written, and the kinds whose
// window has ended with some that were not.
func (c *calmCount) count(kind string, r slog.Record) (show bool, ended []*calmKind) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for name, k := range c.kinds {
		if age := r.Time.Sub(k.since); age >= 0 && age < calmWindow {
			continue
		}
		if k.suppressed > 0 {
			ended = append(ended, k)
		}
		delete(c.kinds, name)
	}
	k := c.kinds[kind]
	if k == nil && len(c.kinds) >= calmKinds {
		return r.Level >= slog.LevelError, ended
	}
	if k == nil {
		k = &calmKind{since: r.Time, level: r.Level, message: r.Message}
		c.kinds[kind] = k
	}
	if k.shown < calmBurst {
		k.shown++
		return true, ended
	}
	k.suppressed++
	return false, ended
}
