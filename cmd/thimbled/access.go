package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"thimbled/config"
	"thimbled/publish"
	"thimbled/publish/access"
	"thimbled/publish/nats"
)

const largestKey = 64 << 10 // a certificate chain or a private key

// entrance is who may use the daemon and by what it shows itself, as the files say
// that the config names.
type entrance struct {
	users access.Users
	tls   *tls.Config // nil: nothing is encrypted
}

// readEntry reads the files. The error is a [configError] with all that is wrong;
// it tells none of their contents.
func readEntry(c *config.Config, getenv func(string) string) (*entrance, error) {
	e := &entrance{}
	var errs []error
	if c.Access.Users != "" {
		users, err := readUsers(c.Access.Users, getenv)
		if err == nil && len(users) == 0 {
			err = errors.New("nobody stands in it: thimbled users add makes a user")
		}
		e.users = users
		errs = append(errs, under("access.users", err))
	}
	if c.Access.Certificate != "" {
		pair, err := readCertificate(c.Access, getenv)
		e.tls = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
		errs = append(errs, under("access.tls_certificate", err))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, configError{err}
	}
	return e, nil
}

// under names the key that an error is of.
func under(key string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", key, err)
}

func readUsers(name string, getenv func(string) string) (access.Users, error) {
	path, err := config.File(name, getenv)
	if err != nil {
		return nil, err
	}
	return access.Read(path)
}

func readCertificate(a config.Access, getenv func(string) string) (pair tls.Certificate, err error) {
	key, err := readSecret(a.Key, getenv)
	if err != nil {
		return pair, fmt.Errorf("read key: %w", err)
	}
	chain, err := readOpen(a.Certificate, getenv)
	if err != nil {
		return pair, fmt.Errorf("read certificate: %w", err)
	}
	return tls.X509KeyPair(chain, key)
}

// readSecret reads a file that not everybody may read.
func readSecret(name string, getenv func(string) string) ([]byte, error) {
	path, err := config.File(name, getenv)
	if err != nil {
		return nil, err
	}
	return access.ReadSecret(path, largestKey)
}

// checkEntry says what is wrong with the files of a config, all of it. What systemd
// hands over is there for the daemon alone: without it those keys are not looked at,
// and named.
func checkEntry(c *config.Config, getenv func(string) string) (unseen []string, err error) {
	looked := *c
	if getenv("CREDENTIALS_DIRECTORY") == "" {
		unseen = leaveOut(&looked)
	}
	_, err = readEntry(&looked, getenv)
	_, outside := outsideSignIn(&looked, getenv)
	if err := errors.Join(err, outside); err != nil {
		return nil, configError{err}
	}
	return unseen, nil
}

// leaveOut takes the credentials out of a config and names their keys.
func leaveOut(c *config.Config) (keys []string) {
	for _, one := range []struct {
		key  string
		file *string
	}{
		{"access.users", &c.Access.Users}, {"access.tls_certificate", &c.Access.Certificate}, {"access.tls_key", &c.Access.Key},
		{"nats.credentials", &c.NATS.Credentials}, {"nats.nkey", &c.NATS.NKey}, {"nats.ca", &c.NATS.CA},
	} {
		if strings.HasPrefix(*one.file, config.Credentials) {
			*one.file = ""
			keys = append(keys, one.key)
		}
	}
	if c.Access.Key == "" {
		c.Access.Certificate = "" // is of use with its key only
	}
	return keys
}

// toNATS is what the embedded broker is told; nil where nobody signs in.
func (e *entrance) toNATS() *nats.Access {
	if len(e.users) == 0 {
		return nil
	}
	a := &nats.Access{TLS: e.tls}
	for _, u := range e.users {
		if u.Key != "" {
			a.Users = append(a.Users, nats.User{User: u.User, Key: u.Key})
		}
	}
	return a
}

// signIn is what the page is told; nil where nobody signs in.
func (e *entrance) signIn() func(name, password string) (publish.User, bool) {
	if len(e.users) == 0 {
		return nil
	}
	return e.users.Check
}

// inOwnName lets a command be carried out only for those whose role it is, and in
// the name of who asks, whatever the request says. Where nobody signs in it takes the
// request's word.
func inOwnName(command string, answer nats.Handler) nats.Handler {
	return func(ctx context.Context, body []byte) ([]byte, error) {
		u, signed := publish.UserOf(ctx)
		if !signed {
			return answer(ctx, body)
		}
		needed := publish.RoleFor(command)
		if u.Role < needed {
			return nil, &publish.Refusal{Code: publish.Forbidden, Why: "this needs the role " + needed.String()}
		}
		if needed > publish.View {
			named, err := nameIn(body, u.Name)
			if err != nil {
				return nil, badRequest(err)
			}
			body = named
		}
		return answer(ctx, body)
	}
}

// nameIn puts a name into a request as who asks. Names of fields are matched
// whatever their case, as Go's decoder does.
func nameIn(body []byte, name string) ([]byte, error) {
	fields := map[string]json.RawMessage{}
	if len(bytes.TrimSpace(body)) > 0 {
		if err := json.Unmarshal(body, &fields); err != nil {
			return nil, fmt.Errorf("the request is no JSON object: %w", err)
		}
	}
	for key := range fields {
		if strings.EqualFold(key, "by") {
			delete(fields, key)
		}
	}
	if fields == nil { // of the text null
		fields = map[string]json.RawMessage{}
	}
	quoted, err := json.Marshal(name)
	if err != nil {
		return nil, err
	}
	fields["by"] = quoted
	return json.Marshal(fields)
}
