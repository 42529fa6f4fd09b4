package seal

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	"golang.org/x/crypto/ssh"
)

// What callers decide on.
var (
	// ErrNoKey says that a credential holds no key, on purpose.
	ErrNoKey = errors.New("there is no key")
	// ErrKeyExposed says that others than its owner can reach a key file.
	ErrKeyExposed = errors.New("others than its owner can reach the key file; chmod 600 it")
)

// Key is a private key of the kind Ed25519 (RFC 8032). It never prints itself.
type Key struct{ private ed25519.PrivateKey }

// String says that here is a key, and no more.
func (*Key) String() string { return "a private key" }

// GoString says the same.
func (k *Key) GoString() string { return k.String() }

const (
	keyPerm fs.FileMode = 0o600
	// A credential of a service is readable by its user through an access list,
	// which shows as a permission of the group.
	credentialPerm fs.FileMode = 0o640
)

// noKey is what a credential holds in the place of a key when there is none.
const noKey = "none"

// ReadKey reads the private key in a file: in OpenSSH's format, as ssh-keygen
// writes it, or PKCS #8 in PEM, as openssl does; without a passphrase. Its errors
// are ErrKeyExposed, that of the file, and that it holds no such key.
func ReadKey(path string) (*Key, error) {
	text, err := readClosed(path, keyPerm)
	if err != nil {
		return nil, fmt.Errorf("read key: %w", err)
	}
	return parseKey(path, text)
}

// ReadCredential is ReadKey for a key that the system hands to a service. An empty
// credential, or one that is the word none, is ErrNoKey.
func ReadCredential(path string) (*Key, error) {
	text, err := readClosed(path, credentialPerm)
	if err != nil {
		return nil, fmt.Errorf("read key: %w", err)
	}
	if word := strings.TrimSpace(string(text)); word == "" || word == noKey {
		return nil, ErrNoKey
	}
	return parseKey(path, text)
}

const largestKey = 64 << 10 // bytes

// readClosed reads a file that allows no more than the given permissions.
func readClosed(path string, most fs.FileMode) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case info.Mode().Perm()&^most&0o077 != 0:
		return nil, fmt.Errorf("%s has mode %04o: %w", path, info.Mode().Perm(), ErrKeyExposed)
	}
	// What was looked at is what is read, not what stands under that name by then.
	text, err := io.ReadAll(io.LimitReader(f, largestKey+1))
	if err == nil && len(text) > largestKey {
		return nil, fmt.Errorf("%s has more than %d bytes, which no key has", path, largestKey)
	}
	return text, err
}

func parseKey(path string, text []byte) (*Key, error) {
	found, err := ssh.ParseRawPrivateKey(text)
	var locked *ssh.PassphraseMissingError
	if errors.As(err, &locked) {
		return nil, fmt.Errorf("read key %s: it has a passphrase, which nobody could type in: ssh-keygen -p takes it off", path)
	}
	if err != nil {
		return nil, fmt.Errorf("read key %s: no private key in OpenSSH's format or PKCS #8", path) // the cause may quote it
	}
	switch k := found.(type) {
	case *ed25519.PrivateKey:
		return &Key{*k}, nil
	case ed25519.PrivateKey:
		return &Key{k}, nil
	}
	return nil, fmt.Errorf("read key %s: it is of another kind than Ed25519: ssh-keygen -t ed25519 makes one", path)
}

// MakeKey makes a new key, in a file for its owner alone, and beside it the public
// one, with .pub behind the name. A file that is there already is an error.
func MakeKey(path, comment string) error {
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return fmt.Errorf("make key: %w", err)
	}
	block, err := ssh.MarshalPrivateKey(private, comment)
	if err != nil {
		return fmt.Errorf("make key: %w", err)
	}
	if err := writeNew(path, pem.EncodeToMemory(block), keyPerm); err != nil {
		return fmt.Errorf("make key: %w", err)
	}
	line := PublicKey{key: public}.SSH() + " " + comment + "\n"
	if err := os.WriteFile(path+".pub", []byte(line), 0o644); err != nil {
		return fmt.Errorf("make key: %w", err)
	}
	return nil
}

func writeNew(path string, text []byte, perm fs.FileMode) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Close())
}

// Public returns the public key.
func (k *Key) Public() PublicKey { return PublicKey{key: k.private.Public().(ed25519.PublicKey)} }
