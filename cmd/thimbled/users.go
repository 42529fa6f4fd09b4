package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"thimbled/config"
	"thimbled/publish"
	"thimbled/publish/access"
	"thimbled/publish/nats"
)

const usersArgs = "add NAME --role view|operate|administer [--nkey FILE] [--no-password] | remove NAME | list [--config F | --file F]"

// usersCommand changes the file of those who may sign in.
func usersCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "users", usersArgs)
	path, configPath := f.String("file", "", "the users `file`"), f.String("config", "", "the bench's config `file`, which names the users file")
	var verb, name string
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		verb, args = args[0], args[1:]
	}
	if len(args) > 0 && verb != "list" && !strings.HasPrefix(args[0], "-") {
		name, args = args[0], args[1:]
	}
	var add newUser
	if verb == "add" {
		add.flags(f)
	}
	if err := parse(f, args); err != nil {
		return err
	}
	switch {
	case !slices.Contains([]string{"add", "remove", "list"}, verb):
		return usagef("say add, remove or list")
	case f.NArg() != 0:
		return usagef("%q is one word too many", f.Arg(0))
	case verb != "list" && name == "":
		return usagef("say who: thimbled users %s NAME", verb)
	}
	file, err := usersFile(*path, *configPath)
	if err != nil {
		return err
	}
	if verb == "list" {
		return listUsers(out.out, file)
	}
	return changeUsers(file, func(all access.Users) (access.Users, error) {
		if verb == "remove" {
			return removeUser(all, name)
		}
		return add.to(out, all, name)
	}, func() { fmt.Fprintln(out.err, "Restart the daemon for this to count.") })
}

func usersFile(path, configPath string) (string, error) {
	if (path == "") == (configPath == "") {
		return "", usagef("need either --file or --config")
	}
	if path != "" {
		return path, nil
	}
	// The files that a config names need not be there yet, so only this one is looked at.
	c, err := loadConfig(configPath)
	if err != nil {
		return "", err
	}
	if c.Access.Users == "" {
		return "", configError{fmt.Errorf("%s names no users file: write users = \"/etc/thimbled/users\" under [access]", configPath)}
	}
	path, err = config.File(c.Access.Users, os.Getenv)
	if err != nil {
		return "", configError{err}
	}
	return path, nil
}

// changeUsers changes the file while nobody else does.
func changeUsers(path string, change func(access.Users) (access.Users, error), changed func()) error {
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return fmt.Errorf("lock users: %w", err)
	}
	defer dir.Close()
	if err := unix.Flock(int(dir.Fd()), unix.LOCK_EX); err != nil {
		return fmt.Errorf("lock users: %w", err)
	}
	all, err := access.Read(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return configError{err}
	}
	all, err = change(all)
	if err != nil {
		return err
	}
	if err := all.Write(path); err != nil {
		return err
	}
	changed()
	return nil
}

func removeUser(all access.Users, name string) (access.Users, error) {
	left := slices.DeleteFunc(slices.Clone(all), func(u access.User) bool { return u.Name == name })
	if len(left) == len(all) {
		return nil, usagef("there is no user %q", name)
	}
	return left, nil
}

func listUsers(w io.Writer, path string) error {
	all, err := access.Read(path)
	if err != nil {
		return configError{err}
	}
	for _, u := range all {
		how := []string{}
		if u.Password.Known() {
			how = append(how, "password")
		}
		if u.Key != "" {
			how = append(how, u.Key)
		}
		fmt.Fprintf(w, "%-32s %-10s %s\n", u.Name, u.Role, strings.Join(how, " "))
	}
	return nil
}

// newUser is what the flags say of a user to be added.
type newUser struct {
	role, seed string
	noPassword bool
}

func (n *newUser) flags(f *flag.FlagSet) {
	f.StringVar(&n.role, "role", "", "what the user may do: view, `operate` or administer")
	f.StringVar(&n.seed, "nkey", "", "make a key for NATS and write its secret seed to this new `file`")
	f.BoolVar(&n.noPassword, "no-password", false, "the user signs in with the key only, not on the page")
}

func (n *newUser) to(out streams, all access.Users, name string) (access.Users, error) {
	role, err := publish.ParseRole(n.role)
	if err != nil {
		return nil, usagef("--role: %w", err)
	}
	if err := access.CheckName(name); err != nil {
		return nil, usageError{err}
	}
	if slices.ContainsFunc(all, func(u access.User) bool { return u.Name == name }) {
		return nil, usagef("there is a user %q already: remove that one first", name)
	}
	if n.noPassword && n.seed == "" {
		return nil, usagef("without a password the user needs --nkey FILE")
	}
	u := access.User{User: publish.User{Name: name, Role: role}}
	if !n.noPassword {
		if u.Password, err = newPassword(os.Stdin, out.err); err != nil {
			return nil, err
		}
	}
	if n.seed != "" {
		if u.Key, err = writeSeed(n.seed); err != nil {
			return nil, err
		}
	}
	return append(all, u), nil
}

// writeSeed makes a key, keeps its seed in a new file and returns what is public.
func writeSeed(path string) (string, error) {
	seed, public, err := nats.NewKey()
	if err != nil {
		return "", err
	}
	if err := access.WriteSecret(path, append(seed, '\n')); err != nil {
		return "", fmt.Errorf("write seed: %w", err)
	}
	return public, nil
}
