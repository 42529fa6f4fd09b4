package nats

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go/micro"

	"thimbled/publish"
)

// ServiceName is the micro service's name; its metadata has the bench's id.
const ServiceName = "thimbled-bench"

const (
	maxAskBody        = 64 << 10
	defaultAskTimeout = 10 * time.Second
)

// Handler carries out a command and returns the answer as JSON. An error that is
// no [*publish.Refusal] is answered as an internal one. It must return when ctx ends.
// Calls of one command come one after the other, those of different commands at
// the same time.
type Handler func(ctx context.Context, body []byte) ([]byte, error)

// Commands answers requests on bench.<id>.ask.<command> as a NATS micro service.
type Commands struct {
	link    *Link
	service micro.Service
	timeout time.Duration
	log     *slog.Logger
}

// ServeCommands starts the service, without a command yet. version is the
// daemon's; timeout bounds each request, 0 means 10 s.
func ServeCommands(link *Link, version string, timeout time.Duration) (*Commands, error) {
	config := micro.Config{
		Name: ServiceName, Version: strings.TrimPrefix(version, "v"), Description: "commands to a proof-test bench's daemon",
		Metadata:           map[string]string{"bench": link.bench, "version": version},
		QueueGroupDisabled: true, // a bench is not interchangeable with another
	}
	service, err := micro.AddService(link.live, config)
	if errors.Is(err, micro.ErrConfigValidation) { // no semantic version, as of a build from a working tree
		config.Version = "0.0.0"
		service, err = micro.AddService(link.live, config)
	}
	if err != nil {
		return nil, fmt.Errorf("serve commands: %w", err)
	}
	if timeout == 0 {
		timeout = defaultAskTimeout
	}
	return &Commands{link: link, service: service, timeout: timeout, log: link.log}, nil
}

// checkCommand checks a command's name: parts with a dot between them.
func checkCommand(command string) error {
	for part := range strings.SplitSeq(command, ".") {
		if err := checkID("command", part); err != nil {
			return err
		}
	}
	return nil
}

// Ask adds a command.
func (c *Commands) Ask(command string, h Handler) error {
	if err := checkCommand(command); err != nil {
		return fmt.Errorf("add command: %w", err)
	}
	name := strings.ReplaceAll(command, ".", "-") // an endpoint's name has no dots, its subject may
	err := c.service.AddEndpoint(name, micro.HandlerFunc(func(r micro.Request) { c.answer(command, h, r) }),
		micro.WithEndpointSubject(askSubject(c.link.bench, command)))
	if err != nil {
		return fmt.Errorf("add command %s: %w", command, err)
	}
	return nil
}

// answer carries out one request.
func (c *Commands) answer(command string, h Handler, r micro.Request) {
	ctx, cancel := context.WithTimeout(context.Background(), c.timeout)
	defer cancel()
	answer, err := c.callAs(ctx, command, h, r)
	if err == nil {
		err = r.Respond(answer)
	} else {
		refusal := refusalOf(err)
		err = r.Error(strconv.Itoa(refusal.Code), oneLine(refusal.Why), nil)
	}
	if err != nil {
		c.log.Warn("answer command", "command", command, "error", err)
	}
}

// requestInfo is the header in which the broker says who asks. It writes it itself
// into what comes from another account, over what the asker may have written.
const requestInfo = "Nats-Request-Info"

// callAs calls a handler in the name of whoever asks.
func (c *Commands) callAs(ctx context.Context, command string, h Handler, r micro.Request) ([]byte, error) {
	if c.link.access == nil {
		return c.call(ctx, h, r.Data())
	}
	var from struct {
		Account string `json:"acc"`
	}
	_ = json.Unmarshal([]byte(r.Headers().Get(requestInfo)), &from) // then it is nobody
	u, ok := c.link.access.userOf(from.Account)
	if !ok || u.Role < publish.RoleFor(command) {
		return nil, &publish.Refusal{Code: publish.Forbidden, Why: "this needs the role " + publish.RoleFor(command).String()}
	}
	return c.call(publish.WithUser(ctx, u), h, r.Data())
}

func (c *Commands) call(ctx context.Context, h Handler, body []byte) ([]byte, error) {
	if len(body) > maxAskBody {
		return nil, &publish.Refusal{Code: publish.TooLarge, Why: fmt.Sprintf("body of %d bytes: more than %d", len(body), maxAskBody)}
	}
	return h(ctx, body)
}

func refusalOf(err error) *publish.Refusal {
	var refusal *publish.Refusal
	switch {
	case errors.As(err, &refusal):
		return refusal
	case errors.Is(err, context.DeadlineExceeded):
		return &publish.Refusal{Code: publish.TooLate, Why: "no answer in time: " + err.Error()}
	}
	return &publish.Refusal{Code: publish.Internal, Why: err.Error()}
}

// oneLine makes a text fit for a header, and never empty.
func oneLine(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	if text == "" {
		return "refused"
	}
	return text
}

// Stop ends the service; requests after that find nobody.
func (c *Commands) Stop() error {
	if err := c.service.Stop(); err != nil {
		return fmt.Errorf("stop commands: %w", err)
	}
	return nil
}
