package nats

import (
	"bytes"
	"crypto/tls"
	"fmt"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// NewKey makes a user's key pair: the seed, which is secret, and the public key.
func NewKey() (seed []byte, public string, err error) {
	pair, err := nkeys.CreateUser()
	if err != nil {
		return nil, "", fmt.Errorf("make user key: %w", err)
	}
	defer pair.Wipe()
	if public, err = pair.PublicKey(); err != nil {
		return nil, "", fmt.Errorf("make user key: %w", err)
	}
	if seed, err = pair.Seed(); err != nil {
		return nil, "", fmt.Errorf("make user key: %w", err)
	}
	return bytes.Clone(seed), public, nil
}

// SignIn says how a connection shows who it is. The zero value shows nothing.
type SignIn struct {
	// Seed is the text of a file with a user seed; Credentials that of a file with
	// a user's JWT and seed. One of them at most.
	Seed, Credentials []byte
	// TLS is what the broker must show; nil: what the URL asks for, by the
	// system's certificates.
	TLS *tls.Config
}

// Check says whether the texts are what they should be. What they say stays out
// of the error.
func (s SignIn) Check() error {
	if len(s.Seed) > 0 {
		pair, err := nkeys.ParseDecoratedUserNKey(s.Seed)
		if err != nil {
			return fmt.Errorf("read user seed: %w", err)
		}
		pair.Wipe()
	}
	if len(s.Credentials) > 0 {
		if _, err := nkeys.ParseDecoratedJWT(s.Credentials); err != nil {
			return fmt.Errorf("read credentials: %w", err)
		}
		pair, err := nkeys.ParseDecoratedUserNKey(s.Credentials)
		if err != nil {
			return fmt.Errorf("read credentials: %w", err)
		}
		pair.Wipe()
	}
	return nil
}

// options are those of a connection that signs in.
func (s SignIn) options() ([]natsgo.Option, error) {
	var all []natsgo.Option
	if s.TLS != nil {
		all = append(all, natsgo.Secure(s.TLS))
	}
	if err := s.Check(); err != nil {
		return nil, err
	}
	switch {
	case len(s.Credentials) > 0:
		all = append(all, natsgo.UserCredentialBytes(s.Credentials))
	case len(s.Seed) > 0:
		public, err := publicKey(s.Seed)
		if err != nil {
			return nil, err
		}
		all = append(all, natsgo.Nkey(public, func(nonce []byte) ([]byte, error) { return sign(s.Seed, nonce) }))
	}
	return all, nil
}

func publicKey(seed []byte) (string, error) {
	pair, err := nkeys.ParseDecoratedUserNKey(seed)
	if err != nil {
		return "", fmt.Errorf("read user seed: %w", err)
	}
	defer pair.Wipe()
	return pair.PublicKey()
}

func sign(seed, nonce []byte) ([]byte, error) {
	pair, err := nkeys.ParseDecoratedUserNKey(seed)
	if err != nil {
		return nil, fmt.Errorf("read user seed: %w", err)
	}
	defer pair.Wipe()
	return pair.Sign(nonce)
}
