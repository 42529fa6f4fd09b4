package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"thimbled/acquire"
	"thimbled/acquire/capture"
	"thimbled/acquire/modbus"
	"thimbled/peak"
	"thimbled/publish"
)

// longestCapture bounds a wire recording; a fault report needs seconds.
const longestCapture = 10 * time.Minute

// captureRequest is the body of a request to record what goes over a line.
type captureRequest struct {
	By   string `json:"by"`
	Line string `json:"line"`
	For  string `json:"for"` // such as "30 s"
}

// tapLines puts a tap on each line, switched off.
func tapLines(lines []acquire.Line) map[string]*capture.Tap {
	taps := map[string]*capture.Tap{}
	for i := range lines {
		tap := capture.NewTap(lines[i].Name)
		lines[i].Wrap = func(p modbus.Port) modbus.Port { return tap.Wrap(p) }
		taps[lines[i].Name] = tap
	}
	return taps
}

// askCapture records what goes over a line while it is polled, as text, in a
// file that can be attached to a fault report.
func (d *daemon) askCapture(_ context.Context, body []byte) ([]byte, error) {
	var r captureRequest
	if err := unmarshal(body, &r, `{"by":"A. Name","line":"rs485","for":"30 s"}`); err != nil {
		return nil, err
	}
	tap, ok := d.taps[r.Line]
	if !ok {
		return nil, &publish.Refusal{Code: publish.NotFound, Why: fmt.Sprintf("no line %q is polled", r.Line)}
	}
	long, err := peak.ParseDuration(r.For)
	if err != nil {
		return nil, badRequest(fmt.Errorf("for: %w", err))
	}
	if long <= 0 || long > longestCapture {
		return nil, badRequest(fmt.Errorf("a recording lasts at most %v", longestCapture))
	}
	path, err := d.startCapture(tap, long)
	if errors.Is(err, capture.ErrRecording) {
		return nil, conflict("line %s is being recorded already", r.Line)
	}
	if err != nil {
		return nil, err
	}
	d.log.Info("recording a line", "line", r.Line, "for", long, "file", path, "by", r.By)
	return fmt.Appendf(nil, `{"file":%q}`, path), nil
}

// startCapture records into a new file; no name that a person gave is part of
// its path.
func (d *daemon) startCapture(tap *capture.Tap, long time.Duration) (string, error) {
	dir := filepath.Join(d.dir, "captures")
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return "", err
	}
	path := filepath.Join(dir, time.Now().UTC().Format("20060102T150405.000000000")+".txt")
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return "", err
	}
	ended, err := tap.Start(f, capture.Limits{For: long})
	if err != nil {
		return "", errors.Join(err, f.Close(), os.Remove(path))
	}
	go closeCapture(f, ended, d.log)
	return path, nil
}

// closeCapture closes the file once the recording has ended.
func closeCapture(f *os.File, ended <-chan error, log *slog.Logger) {
	if err := errors.Join(<-ended, f.Close()); err != nil {
		log.Warn("recording a line", "file", f.Name(), "error", err)
	}
}

func captureCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "capture", "[--config F | --nats URL --bench ID] --line NAME [--for D]")
	a, by := addAskFlags(f), f.String("by", login(), "`who` asks")
	line := f.String("line", "", "the `name` of the line")
	long := f.String("for", "30 s", "how `long`")
	if err := parse(f, args); err != nil {
		return err
	}
	return askDaemon(ctx, out, *a, "capture", captureRequest{By: *by, Line: *line, For: *long})
}
