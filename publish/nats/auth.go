package nats

import (
	"crypto/tls"
	"errors"
	"fmt"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"

	"thimbled/publish"
)

// User may sign in to the embedded broker.
type User struct {
	publish.User
	// Key is the public key of an NKey user, which begins with U.
	Key string
}

// Access says who may use the embedded broker.
type Access struct {
	// Users may sign in; each sees only what its role allows.
	Users []User
	// TLS is for all that comes over the network; nil: nothing is encrypted.
	TLS *tls.Config
}

// Each user has an account of their own, which the bench's account shares its
// subjects with, one by one. So nobody can publish what the daemon publishes,
// sees another's answers, or has an answer sent where it would pass for a record: the
// broker itself says which account a request comes from.

// accountPrefix keeps a user's account apart from the broker's own.
const accountPrefix = "user-"

// ErrNoUser says that a user cannot be let in.
var ErrNoUser = errors.New("no user that can sign in")

// admit makes the accounts and keys of the users and of the daemon itself.
func (a *Access) admit(o *server.Options, bench, daemon string) error {
	for _, u := range a.Users {
		if u.Name == "" || u.Role < publish.View || !nkeys.IsValidPublicUserKey(u.Key) {
			return fmt.Errorf("%w: %q: it needs a name, a role and a public user key", ErrNoUser, u.Name)
		}
		account := server.NewAccount(accountPrefix + u.Name)
		o.Accounts = append(o.Accounts, account)
		o.Nkeys = append(o.Nkeys, &server.NkeyUser{Nkey: u.Key, Account: account, Permissions: rights(u.Role, bench)})
	}
	o.Nkeys = append(o.Nkeys, &server.NkeyUser{Nkey: daemon}) // in the bench's account, with every right
	if a.TLS != nil {
		o.TLS, o.TLSConfig, o.TLSTimeout = true, a.TLS, connectTimeout.Seconds()
	}
	return nil
}

// rights say again what a role may, so that the broker refuses the rest aloud.
func rights(role publish.Role, bench string) *server.Permissions {
	return &server.Permissions{
		Publish:   &server.SubjectPermission{Allow: asked(role, bench)},
		Subscribe: &server.SubjectPermission{Allow: append(heard(bench), "_INBOX.>")},
	}
}

// share lets each user reach what the role allows, once the broker runs.
func (a *Access) share(broker *server.Server, bench string) error {
	ours := broker.GlobalAccount()
	// The broker does it by itself only where there are no other accounts.
	if err := ours.EnableJetStream(nil, nil); err != nil {
		return fmt.Errorf("enable JetStream: %w", err)
	}
	if err := export(ours, bench); err != nil {
		return fmt.Errorf("share the bench's subjects: %w", err)
	}
	for _, u := range a.Users {
		theirs, err := broker.LookupAccount(accountPrefix + u.Name)
		if err != nil {
			return fmt.Errorf("admit %s: %w", u.Name, err)
		}
		if err := importFor(u.Role, theirs, ours, bench); err != nil {
			return fmt.Errorf("admit %s: %w", u.Name, err)
		}
	}
	return nil
}

// heard are the subjects that everybody may follow.
func heard(bench string) []string {
	return []string{readingSubject(bench), stateSubject(bench), eventSubjects(bench)}
}

// looked are the requests to the broker that everybody may make: what the streams
// hold, and their messages one by one or in batches. Consumers are left out: one
// could have the broker send records to any subject, a command's among them.
func looked(bench string) []string {
	var all []string
	for _, stream := range []string{EventStream(bench), StateStream(bench)} {
		all = append(all, "STREAM.INFO."+stream, "DIRECT.GET."+stream, "DIRECT.GET."+stream+".>")
	}
	return all
}

// theirAPI begins the subjects of those requests for a user: a client is told it as
// the prefix of its JetStream API. The usual one leads to the user's own account, which
// has no streams.
func theirAPI(bench string) string { return "JS." + bench + ".API." }

const ourAPI = "$JS.API."

// asked are all requests that a role may make.
func asked(role publish.Role, bench string) []string {
	var all []string
	for _, request := range looked(bench) {
		all = append(all, theirAPI(bench)+request)
	}
	for _, command := range publish.CommandsOf(role) {
		all = append(all, askSubject(bench, command))
	}
	return all
}

func export(ours *server.Account, bench string) error {
	var errs []error
	for _, subject := range heard(bench) {
		errs = append(errs, ours.AddStreamExport(subject, nil))
	}
	for _, subject := range looked(bench) {
		errs = append(errs, ours.AddServiceExportWithResponse(ourAPI+subject, server.Streamed, nil))
	}
	for _, command := range publish.CommandsOf(publish.Administer) {
		errs = append(errs, ours.AddServiceExport(askSubject(bench, command), nil))
	}
	return errors.Join(errs...)
}

func importFor(role publish.Role, theirs, ours *server.Account, bench string) error {
	var errs []error
	for _, subject := range heard(bench) {
		errs = append(errs, theirs.AddStreamImport(ours, subject, ""))
	}
	for _, request := range looked(bench) {
		errs = append(errs, theirs.AddServiceImport(ours, theirAPI(bench)+request, ourAPI+request))
	}
	for _, command := range publish.CommandsOf(role) {
		errs = append(errs, theirs.AddServiceImport(ours, askSubject(bench, command), ""))
	}
	return errors.Join(errs...)
}

// userOf returns whose account a request comes from, as the broker itself wrote
// it into the request; false if it wrote nothing.
func (a *Access) userOf(account string) (publish.User, bool) {
	for _, u := range a.Users {
		if accountPrefix+u.Name == account {
			return u.User, true
		}
	}
	return publish.User{}, false
}
