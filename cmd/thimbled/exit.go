package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
)

// The exit statuses.
const (
	exitDone   = 0
	exitNo     = 1 // the answer is no
	exitUsage  = 2
	exitIO     = 74
	exitConfig = 78
)

// errNo is the answer no, already told on standard output.
var errNo = errors.New("no")

// usageError is a wrong call.
type usageError struct{ error }

// configError is a config that cannot be worked with.
type configError struct{ error }

func (e usageError) Unwrap() error  { return e.error }
func (e configError) Unwrap() error { return e.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

func statusOf(err error) int {
	var u usageError
	var c configError
	switch {
	case errors.As(err, &u):
		return exitUsage
	case errors.As(err, &c):
		return exitConfig
	}
	return exitIO
}

// flags returns a flag set that reports its errors as wrong usage.
func flags(out streams, name, args string) *flag.FlagSet {
	f := flag.NewFlagSet("thimbled "+name, flag.ContinueOnError)
	f.SetOutput(out.err)
	f.Usage = func() {
		fmt.Fprintf(out.err, "usage: thimbled %s %s\n", name, args)
		f.PrintDefaults()
	}
	return f
}

// parse parses the arguments; what is wrong with them is told once.
func parse(f *flag.FlagSet, args []string) error {
	said := f.Output()
	f.SetOutput(io.Discard)
	defer f.SetOutput(said)
	err := f.Parse(args)
	if errors.Is(err, flag.ErrHelp) {
		f.SetOutput(said)
		f.Usage()
		return flag.ErrHelp
	}
	if err != nil {
		return usageError{err}
	}
	return nil
}
