package nats

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/micro"

	"thimbled/publish"
)

// requestTimeout is for a context without a deadline.
const requestTimeout = 15 * time.Second

// Errors of a request.
var (
	ErrNoBroker = errors.New("broker cannot be reached")
	ErrNoBench  = errors.New("nobody answers for the bench")
	ErrNoAnswer = errors.New("no answer in time")
	// ErrDenied says that the broker let nobody in, or not to this command.
	ErrDenied = errors.New("not allowed")
)

// Request asks a running daemon to carry out a command and returns its answer.
// The error is [ErrNoBroker], [ErrDenied], [ErrNoBench], [ErrNoAnswer] (the
// command may have been carried out) or a [*publish.Refusal].
func Request(ctx context.Context, broker string, as SignIn, bench, command string, body []byte) ([]byte, error) {
	if err := errors.Join(checkID("bench", bench), checkCommand(command)); err != nil {
		return nil, fmt.Errorf("ask %s: %w", command, err)
	}
	if _, ok := ctx.Deadline(); !ok {
		limited, cancel := context.WithTimeout(ctx, requestTimeout)
		defer cancel()
		ctx = limited
	}
	options, err := as.options()
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w", command, err)
	}
	ctx, deny := context.WithCancelCause(ctx)
	defer deny(nil)
	conn, err := natsgo.Connect(broker, append(options, natsgo.Name("thimbled "+command), natsgo.NoReconnect(),
		natsgo.Timeout(timeLeft(ctx)), natsgo.ErrorHandler(func(_ *natsgo.Conn, _ *natsgo.Subscription, err error) {
			if errors.Is(err, natsgo.ErrPermissionViolation) {
				deny(ErrDenied)
			}
		}))...)
	switch {
	case errors.Is(err, natsgo.ErrAuthorization):
		return nil, fmt.Errorf("ask %s: %w: %s let nobody in with this key", command, ErrDenied, redacted(broker))
	case err != nil:
		return nil, fmt.Errorf("ask %s: %w: %s: %w", command, ErrNoBroker, redacted(broker), err)
	}
	defer conn.Close()
	answer, err := conn.RequestWithContext(ctx, askSubject(bench, command), body)
	switch {
	case errors.Is(context.Cause(ctx), ErrDenied):
		return nil, fmt.Errorf("ask %s: %w to the user of this key", command, ErrDenied)
	case errors.Is(err, natsgo.ErrNoResponders):
		return nil, fmt.Errorf("ask %s: %w %s at %s", command, ErrNoBench, bench, redacted(broker))
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, natsgo.ErrTimeout):
		return nil, fmt.Errorf("ask %s: %w from bench %s", command, ErrNoAnswer, bench)
	case err != nil:
		return nil, fmt.Errorf("ask %s: %w", command, err)
	}
	if refusal := refused(answer.Header); refusal != nil {
		return nil, fmt.Errorf("ask %s: %w", command, refusal)
	}
	return answer.Data, nil
}

// refused returns the refusal that an answer's headers tell, nil if none.
func refused(h natsgo.Header) *publish.Refusal {
	code, why := h.Get(micro.ErrorCodeHeader), h.Get(micro.ErrorHeader)
	if code == "" && why == "" {
		return nil
	}
	n, err := strconv.Atoi(code)
	if err != nil {
		n = publish.Internal
	}
	return &publish.Refusal{Code: n, Why: why}
}

// timeLeft is how long a connection attempt may take.
func timeLeft(ctx context.Context) time.Duration {
	deadline, _ := ctx.Deadline()
	return max(time.Millisecond, min(connectTimeout, time.Until(deadline)))
}

// redacted returns a broker's address without its password.
func redacted(broker string) string {
	u, err := url.Parse(broker)
	if err != nil {
		return "an address that cannot be read"
	}
	return u.Redacted()
}
