package access

import (
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"thimbled/publish"
)

// The hash of a password is PBKDF2 with HMAC-SHA-256 (RFC 8018); 600,000 rounds is
// what OWASP's "Password Storage Cheat Sheet" asks for.
const (
	scheme      = "pbkdf2-sha256"
	rounds      = 600_000
	mostRounds  = 10_000_000
	saltBytes   = 16
	sumBytes    = sha256.Size
	longestWord = 256
	shortest    = 10
)

// Hash is the salted hash of a password.
type Hash struct {
	rounds    int
	salt, sum string // raw bytes
}

// Known says that there is a password at all.
func (h Hash) Known() bool { return h.rounds > 0 }

// NewHash hashes a password of 10 characters to 256 bytes.
func NewHash(password string) (Hash, error) {
	if n := utf8.RuneCountInString(password); n < shortest || len(password) > longestWord {
		return Hash{}, fmt.Errorf("a password has at least %d characters and at most %d bytes", shortest, longestWord)
	}
	salt := make([]byte, saltBytes)
	rand.Read(salt) // never fails
	return hashOf(password, string(salt), rounds), nil
}

func hashOf(password, salt string, rounds int) Hash {
	sum, err := pbkdf2.Key(sha256.New, password, []byte(salt), rounds, sumBytes)
	if err != nil {
		panic(err) // the lengths are ours
	}
	return Hash{rounds: rounds, salt: salt, sum: string(sum)}
}

// matches takes the same time whatever the password is.
func (h Hash) matches(password string) bool {
	got := hashOf(password, h.salt, h.rounds)
	return subtle.ConstantTimeCompare([]byte(got.sum), []byte(h.sum)) == 1
}

var encoding = base64.RawStdEncoding.Strict()

func (h Hash) text() string {
	return strings.Join([]string{scheme, strconv.Itoa(h.rounds), encoding.EncodeToString([]byte(h.salt)), encoding.EncodeToString([]byte(h.sum))}, "$")
}

// String keeps a hash out of logs.
func (h Hash) String() string { return "(hash)" }

var errHash = errors.New("has a password hash that is none of ours: thimbled users add makes one")

// parseHash keeps the text out of its error.
func parseHash(text string) (Hash, error) {
	parts := strings.Split(text, "$")
	if len(parts) != 4 || parts[0] != scheme {
		return Hash{}, errHash
	}
	n, err := strconv.Atoi(parts[1])
	if err != nil || strconv.Itoa(n) != parts[1] || n < rounds || n > mostRounds {
		return Hash{}, fmt.Errorf("has a password hash of %d rounds: at least %d are needed, at most %d allowed", n, rounds, mostRounds)
	}
	salt, err := encoding.DecodeString(parts[2])
	if err != nil || len(salt) != saltBytes {
		return Hash{}, errHash
	}
	sum, err := encoding.DecodeString(parts[3])
	if err != nil || len(sum) != sumBytes {
		return Hash{}, errHash
	}
	return Hash{rounds: n, salt: string(salt), sum: string(sum)}, nil
}

// stranger is compared with where a user is not known or has no password.
var stranger = Hash{rounds: rounds, salt: strings.Repeat("-", saltBytes), sum: strings.Repeat("-", sumBytes)}

// Check returns the user of a name and password. It takes the time of one hash,
// a few tenths of a second, whether there is such a user or not.
func (all Users) Check(name, password string) (publish.User, bool) {
	if len(password) > longestWord {
		return publish.User{}, false // told by its length, which is the asker's own
	}
	h, u := stranger, publish.User{}
	for _, one := range all {
		if one.Name == name && one.Password.Known() {
			h, u = one.Password, one.User
		}
	}
	if !h.matches(password) || u.Name == "" {
		return publish.User{}, false
	}
	return u, true
}
