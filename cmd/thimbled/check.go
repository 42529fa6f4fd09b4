package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"thimbled/config"
)

func checkCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "check", "--config F | --defaults")
	path := f.String("config", "", "the config `file` to check")
	defaults := f.Bool("defaults", false, "print every key with its default and what it means")
	if err := parse(f, args); err != nil {
		return err
	}
	if (*path == "") == !*defaults || f.NArg() != 0 {
		return usagef("need either --config F or --defaults")
	}
	if *defaults {
		return config.Defaults(out.out)
	}
	c, err := config.Load(*path)
	var problems config.Problems
	if errors.As(err, &problems) {
		for _, p := range problems {
			fmt.Fprintln(out.out, p)
		}
		return configError{fmt.Errorf("%d problems in %s", len(problems), *path)}
	}
	if err != nil {
		return configError{err}
	}
	unseen, err := checkEntry(c, os.Getenv)
	if err != nil {
		return err
	}
	fmt.Fprint(out.out, c.Describe())
	for _, key := range unseen {
		fmt.Fprintf(out.out, "warning: %s is handed over by systemd, so it was not looked at\n", key)
	}
	for _, w := range c.Warnings {
		fmt.Fprintln(out.out, "warning:", w)
	}
	return nil
}
