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
		fmt.Fprintf(f.Output(), "usage: thimbled %s %s\n", name, args)
		f.PrintDefaults()
	}
	return f
}

// parse parses the arguments. Help is printed, what is wrong is told once by
// whoever gets the error.
func parse(f *flag.FlagSet, args []string) error {
	said := f.Output()
	f.SetOutput(io.Discard)
	err := f.Parse(args)
	f.SetOutput(said)
	switch {
	case errors.Is(err, flag.ErrHelp):
		f.Usage()
		return flag.ErrHelp
	case err != nil:
		return usageError{err}
	}
	return nil
}
