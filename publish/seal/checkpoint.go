package seal

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// longestOrigin keeps an origin on one line of a page.
const longestOrigin = 200

// ValidOrigin says whether a text can be the origin of checkpoints: letters, digits
// and any of - . _ : / only, at most 200 of them. C2SP's tlog-checkpoint would allow
// more.
func ValidOrigin(origin string) bool {
	odd := strings.ContainsFunc(origin, func(r rune) bool {
		return !('a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' || '0' <= r && r <= '9' || strings.ContainsRune("-._:/", r))
	})
	return origin != "" && len(origin) <= longestOrigin && !odd
}

// Checkpoint says what a journal's first records are.
type Checkpoint struct {
	Origin string
	Size   int64     // how many records, from the first
	root   tlog.Hash // of the tree over them
}

// Root returns the root of the tree in base64.
func (c Checkpoint) Root() string { return c.root.String() }

// text is the text of the note, by C2SP tlog-checkpoint v1.0.0.
func (c Checkpoint) text() string {
	return fmt.Sprintf("%s\n%d\n%s\n", c.Origin, c.Size, c.root)
}

// sign returns the checkpoint as a signed note (C2SP signed-note v1.0.0) with a
// signature of the kind Ed25519.
func (c Checkpoint) sign(k *Key) (string, error) {
	v := k.Public().verifier(c.Origin)
	if v == nil {
		return "", fmt.Errorf("sign checkpoint: the origin %q is none", c.Origin)
	}
	signed, err := note.Sign(&note.Note{Text: c.text()}, noteSigner{v, k})
	if err != nil {
		return "", fmt.Errorf("sign checkpoint: %w", err)
	}
	return string(signed), nil
}

// noteSigner signs notes with a key.
type noteSigner struct {
	note.Verifier
	key *Key
}

func (s noteSigner) Sign(text []byte) ([]byte, error) { return ed25519.Sign(s.key.private, text), nil }

// Why a checkpoint does not count.
var (
	errNoCheckpoint = errors.New("it is no checkpoint")
	errOtherKey     = errors.New("another key signed it")
	errSignature    = errors.New("its signature is not that of its text")
)

// open returns the checkpoint of a signed note that one of the keys signed.
func open(signed string, keys []PublicKey) (Checkpoint, error) {
	text, _, _ := strings.Cut(signed, "\n\n")
	c, err := parseCheckpoint(text + "\n")
	if err != nil {
		return c, err
	}
	var known []note.Verifier
	seen := map[string]bool{}
	for _, k := range keys {
		if v := k.verifier(c.Origin); v != nil && !seen[string(k.key)] {
			known = append(known, v)
			seen[string(k.key)] = true
		}
	}
	n, err := note.Open([]byte(signed), note.VerifierList(known...))
	var unknown *note.UnverifiedNoteError
	var wrong *note.InvalidSignatureError
	switch {
	case errors.As(err, &unknown):
		return c, errOtherKey
	case errors.As(err, &wrong):
		return c, errSignature
	case err != nil || n.Text != text+"\n":
		return c, errNoCheckpoint
	}
	return c, nil
}

// parseCheckpoint reads the text of a checkpoint. Lines behind the third are
// extensions, which may not be empty.
func parseCheckpoint(text string) (Checkpoint, error) {
	lines := strings.Split(text, "\n")
	if len(lines) < 4 || lines[len(lines)-1] != "" || !ValidOrigin(lines[0]) {
		return Checkpoint{}, errNoCheckpoint
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 || strconv.FormatInt(size, 10) != lines[1] {
		return Checkpoint{}, errNoCheckpoint
	}
	root, err := parseHash(lines[2])
	if err != nil {
		return Checkpoint{}, errNoCheckpoint
	}
	for _, extension := range lines[3 : len(lines)-1] {
		if extension == "" {
			return Checkpoint{}, errNoCheckpoint
		}
	}
	return Checkpoint{Origin: lines[0], Size: size, root: root}, nil
}

// parseHash reads a SHA-256 in strict base64.
func parseHash(text string) (h tlog.Hash, err error) {
	b, err := base64.StdEncoding.Strict().DecodeString(text)
	if err != nil || len(b) != tlog.HashSize || strings.ContainsAny(text, "\r\n") {
		return h, errors.New("no SHA-256 in base64")
	}
	return tlog.Hash(b), nil
}
