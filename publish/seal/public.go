package seal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/ssh"
	"golang.org/x/mod/sumdb/note"
)

// PublicKey is what signatures are checked with.
type PublicKey struct {
	key ed25519.PublicKey
	// origin is the only one whose checkpoints the key is good for; empty: any.
	origin string
}

// ParsePublicKey reads a public key: a line as ssh-keygen writes it into a .pub
// file, or the verifier key of a signed note, name+hash+key (C2SP signed-note).
func ParsePublicKey(text string) (PublicKey, error) {
	text = strings.TrimSpace(text)
	if strings.HasPrefix(text, "ssh-") {
		return parseSSHKey(text)
	}
	verifier, err := note.NewVerifier(text)
	if err != nil {
		return PublicKey{}, errors.New("read public key: neither a line that begins with ssh-ed25519 nor a verifier key, name+hash+key")
	}
	parts := strings.SplitN(text, "+", 3) // base64 may have a + in it, too
	key, err := base64.StdEncoding.DecodeString(parts[2])
	if err != nil || len(key) != 1+ed25519.PublicKeySize {
		return PublicKey{}, errors.New("read public key: not of the kind Ed25519")
	}
	return PublicKey{key: key[1:], origin: verifier.Name()}, nil
}

func parseSSHKey(line string) (PublicKey, error) {
	parsed, _, _, rest, err := ssh.ParseAuthorizedKey([]byte(line))
	if err != nil || len(bytes.TrimSpace(rest)) > 0 {
		return PublicKey{}, errors.New("read public key: no single line as in a .pub file")
	}
	key, ok := parsed.(ssh.CryptoPublicKey).CryptoPublicKey().(ed25519.PublicKey)
	if !ok {
		return PublicKey{}, fmt.Errorf("read public key: it is of the kind %s, not ssh-ed25519", parsed.Type())
	}
	return PublicKey{key: key}, nil
}

// SSH returns the key as a line of a .pub file, without a comment.
func (p PublicKey) SSH() string {
	return strings.TrimSpace(string(ssh.MarshalAuthorizedKey(p.ssh())))
}

// ssh returns the key as OpenSSH's protocols have it.
func (p PublicKey) ssh() ssh.PublicKey {
	k, err := ssh.NewPublicKey(p.key)
	if err != nil {
		panic(err) // an Ed25519 key is one of its kinds
	}
	return k
}

// Verifier returns the verifier key of the signed notes of an origin; empty if no
// note can have that name.
func (p PublicKey) Verifier(origin string) string {
	if !ValidOrigin(origin) {
		return ""
	}
	text, err := note.NewEd25519VerifierKey(origin, p.key)
	if err != nil {
		return ""
	}
	return text
}

// verifier returns what checks the notes of an origin; nil if the key is not
// good for it.
func (p PublicKey) verifier(origin string) note.Verifier {
	if p.origin != "" && p.origin != origin {
		return nil
	}
	v, err := note.NewVerifier(p.Verifier(origin))
	if err != nil {
		return nil
	}
	return v
}
