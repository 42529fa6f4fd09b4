package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"thimbled/publish"
)

// The bounds of a child process that makes a certificate.
const (
	certificateTime  = time.Minute
	certificateBytes = 32 << 20
	certificateNice  = 15 // how much lower its priority is
)

// contentTypes are those of the formats.
var contentTypes = map[string]string{formatHTML: "text/html; charset=utf-8", formatPDF: "application/pdf"}

// makeCertificate makes a certificate, pdf or html, in a child process of the
// same binary, on one core and with low priority, so that it makes no poll late.
// dir is the journal's folder and job names the test as in thimbled certificate;
// configPath may be empty. That there is no such test is a *publish.Refusal with the
// code NotFound.
func makeCertificate(ctx context.Context, dir, configPath, job, format string) (body []byte, contentType string, err error) {
	self, err := os.Executable()
	if err != nil {
		return nil, "", fmt.Errorf("make certificate: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, certificateTime)
	defer cancel()
	args := []string{"certificate", "--format", format}
	if configPath != "" {
		args = append(args, "--config", configPath)
	}
	child := exec.CommandContext(ctx, self, append(args, "--", dir, job)...)
	child.Env = append(os.Environ(), "GOMAXPROCS=1")
	child.WaitDelay = time.Second
	out, errs := &bounded{most: certificateBytes}, &bounded{most: 64 << 10}
	child.Stdout, child.Stderr = out, errs
	if err = startNice(child); err == nil {
		err = child.Wait()
	}
	said := strings.TrimSpace(errs.b.String())
	var ended *exec.ExitError
	switch {
	case err == nil:
		return out.b.Bytes(), contentTypes[format], nil
	case ctx.Err() != nil:
		err = ctx.Err()
	case out.over:
		err = errTooLong
	case errors.As(err, &ended) && ended.ExitCode() == exitNo:
		why, _, _ := strings.Cut(strings.TrimPrefix(said, "no: "), "\n")
		return nil, "", &publish.Refusal{Code: publish.NotFound, Why: why}
	}
	return nil, "", fmt.Errorf("make certificate of %s: %w: %s", job, err, said)
}

// startNice starts a command with low priority from its first moment: a child
// inherits that of the thread that starts it, and that thread is given up.
func startNice(c *exec.Cmd) error {
	started := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked, so the thread ends with this goroutine
		err := unix.Setpriority(unix.PRIO_PROCESS, 0, certificateNice)
		if err == nil {
			err = c.Start()
		}
		started <- err
	}()
	return <-started
}

// bounded keeps what is written, up to a bound.
type bounded struct {
	b    bytes.Buffer
	most int
	over bool
}

var errTooLong = errors.New("more output than a certificate can have")

func (w *bounded) Write(p []byte) (int, error) {
	if w.b.Len()+len(p) > w.most {
		w.over = true
		return 0, errTooLong
	}
	return w.b.Write(p)
}
