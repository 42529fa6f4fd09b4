package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"golang.org/x/sys/unix"
)

// descriptors is the most files the process opens: the serial library's wait
// cannot take a descriptor of 1024 or more.
const descriptors = 1024

func runCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "run", "--config F")
	path := f.String("config", "", "the bench's config `file`")
	if err := parse(f, args); err != nil {
		return err
	}
	if *path == "" || f.NArg() != 0 {
		return usagef("need --config and nothing else")
	}
	c, err := loadConfig(*path)
	if err != nil {
		return err
	}
	if err := limitDescriptors(); err != nil {
		return err
	}
	log := newLog(out.err)
	for _, w := range c.Warnings {
		log.Warn("config", "warning", w.String())
	}
	d, err := newDaemon(c, c.JournalDir(os.Getenv), log)
	if err != nil {
		return err
	}
	d.loop.fed = watchdog(d.loop)
	return d.run(ctx, func() { notify(log, systemd.SdNotifyReady) })
}

func newLog(w io.Writer) *slog.Logger { return slog.New(calm(slog.NewTextHandler(w, nil))) }

func limitDescriptors() error {
	limit := unix.Rlimit{Cur: descriptors, Max: descriptors}
	if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		return fmt.Errorf("limit descriptors to %d: %w", descriptors, err)
	}
	return nil
}

func notify(log *slog.Logger, state string) {
	if _, err := systemd.SdNotify(false, state); err != nil {
		log.Warn("notify systemd", "error", err)
	}
}

// watchdog returns what feeds systemd's watchdog: the loop itself, after a step
// and only if samples came in since the last time. The loop also writes the
// journal, so a journal that hangs starves the watchdog too. Bad samples count:
// a dead instrument is no reason to start the daemon anew.
func watchdog(l *loop) func() {
	every, err := systemd.SdWatchdogEnabled(false)
	if err != nil || every == 0 {
		return func() {}
	}
	var fedAt time.Duration
	var seen time.Duration
	return func() {
		now := l.now()
		if now-fedAt < every/3 || l.merge.last == seen {
			return
		}
		fedAt, seen = now, l.merge.last
		notify(l.log, systemd.SdNotifyWatchdog)
	}
}
