package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"

	"thimbled/publish"
	"thimbled/publish/nats"
)

func addAskFlags(f *flag.FlagSet) *askFlags {
	a := &askFlags{}
	f.StringVar(&a.config, "config", "", "the bench's config `file`, which says where its daemon is")
	f.StringVar(&a.url, "nats", "nats://"+nats.DefaultListen, "the `URL` of the daemon's broker")
	f.StringVar(&a.bench, "bench", "", "the bench's `id`")
	return a
}

// place says which broker and bench to ask.
func (a askFlags) place() (url, bench string, err error) {
	if a.config == "" {
		if a.bench == "" {
			return "", "", usagef("say which bench: --config F, or --bench ID")
		}
		return a.url, a.bench, nil
	}
	c, err := loadConfig(a.config)
	if err != nil {
		return "", "", err
	}
	if c.NATS.URL != "" {
		return c.NATS.URL, c.Bench.ID, nil
	}
	return "nats://" + c.NATS.Listen, c.Bench.ID, nil
}

// ask sends a request and returns the answer.
func (a askFlags) ask(ctx context.Context, command string, r any) ([]byte, error) {
	url, bench, err := a.place()
	if err != nil {
		return nil, err
	}
	body, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	return nats.Request(ctx, url, nats.SignIn{}, bench, command, body)
}

// askDaemon sends a request and prints the answer. A refusal is the answer no,
// unless the request itself was wrong.
func askDaemon(ctx context.Context, out streams, a askFlags, command string, r any) error {
	data, err := a.ask(ctx, command, r)
	var refused *publish.Refusal
	switch {
	case errors.As(err, &refused) && refused.Code == publish.BadRequest:
		return usageError{refused}
	case errors.As(err, &refused):
		fmt.Fprintln(out.out, "no:", refused.Why)
		return errNo
	case err != nil:
		return err
	}
	fmt.Fprintln(out.out, string(data))
	return nil
}
