package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os/user"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/nats"
)

// askTimeout bounds how long a command waits for its answer.
const askTimeout = 5 * time.Second

// request is the body of a zero or tare request.
type request struct {
	By    string `json:"by"`
	Force string `json:"force,omitempty"` // of a tare, such as "1.2 kN"; empty takes the force now
}

// answers are the requests that operators and services can make, whichever way
// they come: over NATS or from the page.
func (d *daemon) answers() map[string]nats.Handler {
	all := map[string]nats.Handler{
		"zero": d.askZero,
		"tare": d.askTare,
		"status": func(context.Context, []byte) ([]byte, error) {
			return publish.EncodeState(d.loop.snapshot.Load(), d.loop.now()), nil
		},
		"job.open": d.askJobOpen,
		"job.show": func(context.Context, []byte) ([]byte, error) {
			return publish.EncodeOpenJob(d.loop.snapshot.Load()), nil
		},
		"job.assign": d.askAssign,
		"correct":    d.askCorrect,
		"job.cancel": d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.CancelJob{At: at, By: r.By, Why: r.Why}
		}),
		"job.repeat": d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.RepeatPull{At: at, By: r.By, Why: r.Why}
		}),
		"job.finish": d.askWhy(func(at time.Duration, r whyRequest) peak.Input {
			return peak.FinishJob{At: at, By: r.By}
		}),
		"job.list": func(ctx context.Context, body []byte) ([]byte, error) { return d.askTests(ctx, body) },
		"inspect":  d.askInspect,
		"tests":    d.askTests,
		"rules":    d.askRules,
		"plan":     d.askPlan,
		"capture":  d.askCapture,
		"weigh.start": d.askWeigh(func(at time.Duration, r weighRequest) peak.Input {
			return peak.StartWeighing{At: at, By: r.By, Item: r.Item}
		}),
		"weigh.stop": d.askWeigh(func(at time.Duration, r weighRequest) peak.Input {
			return peak.StopWeighing{At: at, By: r.By}
		}),
	}
	maps.Copy(all, d.verifyAnswers())
	return all
}

// serveCommands answers requests over NATS.
func (d *daemon) serveCommands() (*nats.Commands, error) {
	c, err := nats.ServeCommands(d.link, d.loop.version, askTimeout)
	if err != nil {
		return nil, err
	}
	var errs []error
	for name, answer := range d.answers() {
		errs = append(errs, c.Ask(name, inOwnName(name, answer)))
	}
	return c, errors.Join(errs...)
}

// answer answers a request from the page.
func (d *daemon) answer(ctx context.Context, command string, body []byte) ([]byte, error) {
	handler, ok := d.answers()[command]
	if !ok {
		return nil, &publish.Refusal{Code: publish.NotFound, Why: fmt.Sprintf("there is no command %q", command)}
	}
	return inOwnName(command, handler)(ctx, body)
}

func (d *daemon) askZero(ctx context.Context, body []byte) ([]byte, error) {
	r, err := readRequest(body)
	if err != nil {
		return nil, err
	}
	if r.Force != "" {
		return nil, badRequest(errors.New("zero takes no force: it makes the force indicated now the zero"))
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input { return peak.SetZero{At: at, By: r.By} })
}

func (d *daemon) askTare(ctx context.Context, body []byte) ([]byte, error) {
	r, err := readRequest(body)
	if err != nil {
		return nil, err
	}
	var force peak.Maybe[peak.Force]
	if r.Force != "" {
		f, err := peak.ParseForce(r.Force)
		if err != nil {
			return nil, badRequest(err)
		}
		force = peak.Known(f)
	}
	return d.askCore(ctx, func(at time.Duration) peak.Input { return peak.SetTare{At: at, By: r.By, Force: force} })
}

// askCore hands a command to the loop; what the core refuses is a conflict with
// the state of the bench.
func (d *daemon) askCore(ctx context.Context, input func(time.Duration) peak.Input) ([]byte, error) {
	event, data, err := d.loop.do(ctx, input)
	if errors.Is(err, errJournalFailed) {
		return nil, &publish.Refusal{Code: publish.Conflict, Why: err.Error()}
	}
	if err != nil {
		return nil, err
	}
	if refused, ok := event.(peak.CommandRefused); ok {
		return nil, &publish.Refusal{Code: publish.Conflict, Why: refused.Why}
	}
	return data, nil
}

func readRequest(body []byte) (request, error) {
	var r request
	if err := unmarshal(body, &r, `{"by":"A. Name"}`); err != nil {
		return r, err
	}
	if r.By == "" {
		return r, badRequest(errNobody)
	}
	return r, nil
}

func badRequest(err error) error { return &publish.Refusal{Code: publish.BadRequest, Why: err.Error()} }

// askFlags are the flags of every command that asks a running daemon.
type askFlags struct{ config, url, bench, nkey, ca string }

func zeroCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "zero", "[--config F | --nats URL --bench ID] [--by NAME]")
	a, by := addAskFlags(f), f.String("by", login(), "`who` asks")
	if err := parse(f, args); err != nil {
		return err
	}
	return askDaemon(ctx, out, *a, "zero", request{By: *by})
}

func tareCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "tare", "[--config F | --nats URL --bench ID] [--force Q] [--by NAME]")
	a, by := addAskFlags(f), f.String("by", login(), "`who` asks")
	force := f.String("force", "", "the tare, such as \"1.2 kN\"; without it, the `force` indicated now")
	if err := parse(f, args); err != nil {
		return err
	}
	return askDaemon(ctx, out, *a, "tare", request{By: *by, Force: *force})
}

func statusCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "status", "[--config F | --nats URL --bench ID] [--json]")
	a := addAskFlags(f)
	asJSON := f.Bool("json", false, "answer in JSON")
	if err := parse(f, args); err != nil {
		return err
	}
	if *asJSON {
		return askDaemon(ctx, out, *a, "status", struct{}{})
	}
	data, err := a.ask(ctx, "status", struct{}{})
	if err != nil {
		return err
	}
	return tellStatus(out.out, data)
}

func login() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return ""
}
