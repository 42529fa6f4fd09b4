package publish

import (
	"context"
	"fmt"
	"slices"
)

// Role is what somebody may do. Each role may do all that the one before may.
type Role int

// The roles.
const (
	// Nobody may do nothing; it is the role of those who did not sign in.
	Nobody Role = iota
	// View may read: the page, readings, state, records, metrics.
	View
	// Operate may also command the bench's tests.
	Operate
	// Administer may also change what the figures rest on.
	Administer
)

var roleNames = map[Role]string{View: "view", Operate: "operate", Administer: "administer"}

func (r Role) String() string {
	if name, ok := roleNames[r]; ok {
		return name
	}
	return "nobody"
}

// ParseRole reads the name of a role, all but that of [Nobody].
func ParseRole(name string) (Role, error) {
	for role, known := range roleNames {
		if name == known {
			return role, nil
		}
	}
	return Nobody, fmt.Errorf("%q is no role: write view, operate or administer", name)
}

// commandRoles says which role each command needs.
var commandRoles = map[string]Role{
	"status": View, "job.show": View, "job.list": View, "tests": View, "rules": View, "plan": View, "verify.show": View,

	"zero": Operate, "tare": Operate, "inspect": Operate, "capture": Operate,
	"job.open": Operate, "job.assign": Operate, "job.cancel": Operate, "job.repeat": Operate, "job.finish": Operate,
	"weigh.start": Operate, "weigh.stop": Operate,
	"verify.start": Operate, "verify.point": Operate, "verify.drop": Operate, "verify.cancel": Operate, "verify.finish": Operate,

	"verify.record": Administer, "correct": Administer,
}

// RoleFor returns the role that a command needs. A command that is not in the
// table needs [Administer], so that a new one is closed until it is.
func RoleFor(command string) Role {
	if role, ok := commandRoles[command]; ok {
		return role
	}
	return Administer
}

// CommandsOf lists the commands that a role may ask for, sorted.
func CommandsOf(role Role) []string {
	var all []string
	for command, needs := range commandRoles {
		if needs <= role {
			all = append(all, command)
		}
	}
	slices.Sort(all)
	return all
}

// User is somebody who signed in.
type User struct {
	Name string
	Role Role
}

type userKey struct{}

// WithUser returns a context that carries who asks.
func WithUser(ctx context.Context, u User) context.Context {
	return context.WithValue(ctx, userKey{}, u)
}

// UserOf returns who asks; false where nobody signs in, as on a bench computer
// that is alone.
func UserOf(ctx context.Context) (User, bool) {
	u, ok := ctx.Value(userKey{}).(User)
	return u, ok
}
