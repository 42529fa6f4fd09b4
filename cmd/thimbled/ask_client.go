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
	f.StringVar(&a.nkey, "nkey", "", "`file` with the seed to sign in with; by default that of the config")
	f.StringVar(&a.ca, "ca", "", "`file` with the certificates that vouch for the broker, in PEM")
	return a
}

// place says which broker and bench to ask, and how to sign in.
func (a askFlags) place() (target, error) {
	if a.config == "" {
		if a.bench == "" {
			return target{}, usagef("say which bench: --config F, or --bench ID")
		}
		return a.signIn(target{url: a.url, bench: a.bench})
	}
	c, err := loadConfig(a.config)
	if err != nil {
		return target{}, err
	}
	t, err := targetOf(c)
	if err != nil {
		return target{}, configError{err}
	}
	return a.signIn(t)
}

// ask sends a request and returns the answer.
func (a askFlags) ask(ctx context.Context, command string, r any) ([]byte, error) {
	t, err := a.place()
	if err != nil {
		return nil, err
	}
	body, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	return nats.Request(ctx, t.url, t.as, t.bench, command, body)
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
	case errors.Is(err, nats.ErrDenied):
		fmt.Fprintln(out.out, "no:", err)
		return errNo
	case err != nil:
		return err
	}
	fmt.Fprintln(out.out, string(data))
	return nil
}
