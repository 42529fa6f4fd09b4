package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"time"

	"thimbled/publish"
)

const (
	largestAsk = 64 << 10
	askWithin  = 8 * time.Second
)

// commands are those that the page may ask for.
var commands = []string{
	"zero", "tare", "job.open", "job.show", "job.cancel", "job.repeat", "job.finish", "job.assign", "inspect",
	"weigh.start", "weigh.stop", "verify.start", "verify.point", "verify.drop", "verify.cancel", "verify.show", "verify.finish",
	"rules", "plan", "tests",
}

// serveAsk carries a command out. The body is JSON as over NATS; so is the
// answer. A refusal is {"error": sentence, "code": number}, its code that of the
// answer.
func (p *Page) serveAsk(w http.ResponseWriter, r *http.Request) {
	command := r.PathValue("command")
	if !slices.Contains(commands, command) {
		refuse(w, http.StatusNotFound, fmt.Sprintf("there is no command %q", command))
		return
	}
	if refusal := p.mayAsk(r.Context(), command); refusal != nil {
		refuse(w, refusal.Code, refusal.Why)
		return
	}
	body, refusal := readAsk(w, r)
	if refusal != nil {
		refuse(w, refusal.Code, refusal.Why)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), askWithin)
	defer cancel()
	answer, err := p.options.Ask(ctx, command, body)
	if err != nil {
		refuseFor(w, err)
		return
	}
	sendJSON(w, r, answer)
}

func readAsk(w http.ResponseWriter, r *http.Request) ([]byte, *publish.Refusal) {
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "application/json" {
		return nil, &publish.Refusal{Code: http.StatusUnsupportedMediaType, Why: "the body must be application/json"}
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, largestAsk))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return nil, &publish.Refusal{Code: publish.TooLarge, Why: fmt.Sprintf("the body must not be larger than %d bytes", largestAsk)}
	case err != nil:
		return nil, &publish.Refusal{Code: publish.BadRequest, Why: "the body did not come whole"}
	case !json.Valid(body):
		return nil, &publish.Refusal{Code: publish.BadRequest, Why: "the body must be JSON"}
	}
	return body, nil
}

// refuseFor answers with the refusal that an error is.
func refuseFor(w http.ResponseWriter, err error) {
	var refusal *publish.Refusal
	switch {
	case errors.As(err, &refusal) && refusal.Code >= 400 && refusal.Code <= 599:
		refuse(w, refusal.Code, refusal.Why)
	case errors.Is(err, context.DeadlineExceeded):
		refuse(w, publish.TooLate, "the daemon did not answer in time: look whether it was done before you ask again")
	default:
		refuse(w, publish.Internal, "the daemon failed: "+err.Error())
	}
}

func refuse(w http.ResponseWriter, code int, why string) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(mustMarshal(struct { // the browser may be gone
		Error string `json:"error"`
		Code  int    `json:"code"`
	}{why, code}))
}
