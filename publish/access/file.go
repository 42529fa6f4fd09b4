package access

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"regexp"
	"strings"

	"thimbled/publish"
)

// Limits of a users file.
const (
	largestFile = 64 << 10
	mostUsers   = 200
)

// ErrReadable says that others than the owner and the group may read a secret.
var ErrReadable = errors.New("is readable by everybody: take that right away with chmod o-rwx")

// User is a line of the users file.
type User struct {
	publish.User
	// Password is empty for a user who has none, and so cannot use the page.
	Password Hash
	// Key is a public NATS user key, which begins with U; empty if there is none.
	Key string
}

// Users are those of a bench, by name in the order of the file.
type Users []User

// Problem is something wrong with a line of a users file.
type Problem struct {
	Line int // from 1
	Text string
}

// Problems are all that is wrong with a users file. As an error it is never empty.
type Problems []Problem

func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, one := range p {
		lines[i] = fmt.Sprintf("line %d: %s", one.Line, one.Text)
	}
	return strings.Join(lines, "; ")
}

// Read reads the users file at path. A file that everybody may read is refused
// with [ErrReadable], one that is wrong with [Problems].
func Read(path string) (Users, error) {
	text, err := ReadSecret(path, largestFile)
	if err != nil {
		return nil, fmt.Errorf("read users: %w", err)
	}
	users, err := Parse(text)
	if err != nil {
		return nil, fmt.Errorf("read users: %s: %w", path, err)
	}
	return users, nil
}

// ReadSecret reads a file of at most so many bytes that not everybody may read.
// Its group may: that is how an administrator lets the daemon have it.
func ReadSecret(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s: %w: no regular file", path, fs.ErrInvalid)
	case info.Mode().Perm()&0o007 != 0:
		return nil, fmt.Errorf("%s %w", path, ErrReadable)
	}
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(text)) > most {
		return nil, fmt.Errorf("%s: larger than %d bytes", path, most)
	}
	return text, nil
}

// Parse reads the text of a users file: a user a line, with blanks between
// name, role, password hash and key, each of the last two a - where there is
// none. Lines that begin with # are comments. The error is a [Problems].
func Parse(text []byte) (Users, error) {
	var users Users
	var problems Problems
	names, keys := map[string]int{}, map[string]int{}
	number := 0
	for line := range bytes.Lines(text) {
		number++
		fields := strings.Fields(string(line))
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		wrong := func(text string) { problems = append(problems, Problem{number, text}) }
		u, err := parseUser(fields)
		switch {
		case err != nil:
			wrong(err.Error())
			continue
		case names[u.Name] != 0:
			wrong(fmt.Sprintf("the user %s stands in line %d already", u.Name, names[u.Name]))
		case u.Key != "" && keys[u.Key] != 0:
			wrong(fmt.Sprintf("the key of %s stands in line %d already", u.Name, keys[u.Key]))
		case len(users) == mostUsers:
			wrong(fmt.Sprintf("more than %d users", mostUsers))
			return nil, problems
		}
		names[u.Name], keys[u.Key] = number, number
		users = append(users, u)
	}
	if len(problems) > 0 {
		return nil, problems
	}
	return users, nil
}

// none stands for what a user does not have.
const none = "-"

func parseUser(fields []string) (User, error) {
	const parts = 4
	if len(fields) != parts {
		return User{}, fmt.Errorf("has %d parts: write name, role, password hash and key, with - for what there is not", len(fields))
	}
	u := User{User: publish.User{Name: fields[0]}}
	if err := CheckName(u.Name); err != nil {
		return User{}, err
	}
	var err error
	if u.Role, err = publish.ParseRole(fields[1]); err != nil {
		return User{}, err
	}
	if fields[2] != none {
		if u.Password, err = parseHash(fields[2]); err != nil {
			return User{}, err
		}
	}
	if fields[3] != none {
		if u.Key = fields[3]; !keyRule.MatchString(u.Key) {
			return User{}, errors.New("has a key that is no public NATS user key: it is U and 55 capital letters or digits")
		}
	}
	return u, nil
}

// keyRule is how a public user key is written: 35 bytes in base 32, the first of
// which makes it begin with U (nkeys, "README").
var keyRule = regexp.MustCompile(`^U[A-Z2-7]{55}$`)

var nameRule = regexp.MustCompile(`^[a-z][a-z0-9._-]{0,31}$`)

// CheckName says what is wrong with a user's name.
func CheckName(name string) error {
	if !nameRule.MatchString(name) {
		return fmt.Errorf("%.40q is no name of a user: write 1 to 32 small letters, digits and . _ -, the first a letter", name)
	}
	return nil
}

// Text is the users file.
func (all Users) Text() []byte {
	var b bytes.Buffer
	b.WriteString("# name role password key; written by thimbled users\n")
	for _, u := range all {
		fields := []string{u.Name, u.Role.String(), none, none}
		if u.Password.Known() {
			fields[2] = u.Password.text()
		}
		if u.Key != "" {
			fields[3] = u.Key
		}
		b.WriteString(strings.Join(fields, " ") + "\n")
	}
	return b.Bytes()
}
