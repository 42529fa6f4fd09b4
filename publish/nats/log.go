package nats

import (
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync/atomic"
)

func logger(l *slog.Logger) *slog.Logger {
	if l == nil {
		return slog.Default()
	}
	return l
}

// brokerLog hands the embedded broker's log to slog. What the broker calls a
// notice is detail here.
type brokerLog struct {
	log   *slog.Logger
	found *findings
	cause atomic.Pointer[string] // of the broker's last fatal error
}

func (b *brokerLog) Noticef(format string, v ...any) {
	b.log.Debug("broker: " + fmt.Sprintf(format, v...))
}
func (b *brokerLog) Warnf(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	if tellsDamage(text) {
		b.found.add(strings.TrimSpace(text))
	}
	b.log.Warn("broker: " + text)
}
func (b *brokerLog) Errorf(format string, v ...any) {
	b.log.Error("broker: " + fmt.Sprintf(format, v...))
}
func (b *brokerLog) Debugf(string, ...any) {}
func (b *brokerLog) Tracef(string, ...any) {}

// Fatalf keeps the cause for the start that is about to fail.
func (b *brokerLog) Fatalf(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	b.cause.Store(&text)
}

func (b *brokerLog) fatal() error {
	if text := b.cause.Load(); text != nil {
		return errors.New(*text)
	}
	return nil
}
