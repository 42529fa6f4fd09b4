package seal

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Keys are read as ssh-keygen and openssl write them, and give the public key that
// those say.
func TestKeysOfOthers(t *testing.T) {
	need(t, "ssh-keygen", "openssh-client")
	need(t, "openssl", "openssl")
	dir := t.TempDir()
	path := filepath.Join(dir, "ssh")
	if out, err := run(t, nil, "ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "a comment", "-f", path); err != nil {
		t.Fatal(out)
	}
	k, err := ReadKey(path)
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(path + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	if got := k.Public().SSH() + " a comment\n"; got != string(want) {
		t.Errorf("the public key is %s, ssh-keygen says %s", got, want)
	}
	for _, text := range []string{string(want), k.Public().Verifier(origin)} {
		public, err := ParsePublicKey(text)
		if err != nil || !public.key.Equal(k.Public().key) {
			t.Errorf("%s is read as %v: %v", text, public, err)
		}
	}
	path = filepath.Join(dir, "pkcs8")
	if out, err := run(t, nil, "openssl", "genpkey", "-algorithm", "ed25519", "-out", path); err != nil {
		t.Fatal(out)
	}
	if k, err = ReadKey(path); err != nil {
		t.Fatal(err)
	}
	der, err := run(t, nil, "openssl", "pkey", "-in", path, "-pubout", "-outform", "DER")
	if err != nil || !strings.HasSuffix(der, string(k.Public().key)) {
		t.Errorf("openssl says another public key: %q, %v", der, err)
	}
}

func TestKeysThatAreRefused(t *testing.T) {
	need(t, "ssh-keygen", "openssh-client")
	dir := t.TempDir()
	keygen := func(name string, args ...string) string {
		path := filepath.Join(dir, name)
		if out, err := run(t, nil, "ssh-keygen", append([]string{"-q", "-f", path}, args...)...); err != nil {
			t.Fatal(out)
		}
		return path
	}
	for _, bad := range []struct{ path, says string }{
		{keygen("rsa", "-t", "rsa", "-b", "2048", "-N", ""), "another kind"},
		{keygen("locked", "-t", "ed25519", "-N", "open sesame"), "passphrase"},
		{write(t, "text", []byte("hello secret"), 0o600), "no private key"},
		{write(t, "long", make([]byte, 70<<10), 0o600), "which no key has"},
		{filepath.Join(dir, "missing"), "no such file"},
	} {
		_, err := ReadKey(bad.path)
		if err == nil || !strings.Contains(err.Error(), bad.says) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s gives %v, want %q", bad.path, err, bad.says)
		}
	}
}

func TestKeyIsItsOwnersAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "key")
	if err := MakeKey(path, "dock-3"); err != nil {
		t.Fatal(err)
	}
	if err := MakeKey(path, "dock-3"); !errors.Is(err, os.ErrExist) {
		t.Errorf("a key is made over another: %v", err)
	}
	for _, perm := range []struct {
		mode             os.FileMode
		file, credential bool
	}{
		{0o600, true, true}, {0o400, true, true}, {0o440, false, true}, {0o640, false, true},
		{0o604, false, false}, {0o660, false, false}, {0o444, false, false}, {0o601, false, false},
	} {
		if err := os.Chmod(path, perm.mode); err != nil {
			t.Fatal(err)
		}
		_, err := ReadKey(path)
		_, credential := ReadCredential(path)
		if (err == nil) != perm.file || (credential == nil) != perm.credential {
			t.Errorf("with mode %o a file gives %v, a credential %v", perm.mode, err, credential)
		}
		if err != nil && !errors.Is(err, ErrKeyExposed) {
			t.Errorf("with mode %o: %v", perm.mode, err)
		}
	}
}

func TestCredentialWithoutKey(t *testing.T) {
	for _, text := range []string{"", "none", "none\n"} {
		if _, err := ReadCredential(write(t, "credential", []byte(text), 0o400)); !errors.Is(err, ErrNoKey) {
			t.Errorf("%q gives %v", text, err)
		}
	}
	if _, err := ReadCredential(write(t, "credential", []byte("else"), 0o400)); err == nil || errors.Is(err, ErrNoKey) {
		t.Errorf("what is no key gives %v", err)
	}
}

// A key shows itself nowhere.
func TestKeyIsNotPrinted(t *testing.T) {
	k := testKey(7)
	var log strings.Builder
	slog.New(slog.NewTextHandler(&log, nil)).Info("said", "key", k)
	slog.New(slog.NewJSONHandler(&log, nil)).Info("said", "key", k)
	fmt.Fprintf(&log, "%v %+v %#v %s", k, k, k, k)
	for _, secret := range []string{"7 7 7", "BwcH", "0707", "0x7, 0x7", "\x07\x07"} {
		if strings.Contains(log.String(), secret) {
			t.Errorf("the key is in %s", log.String())
		}
	}
}

func TestPublicKeysThatAreNone(t *testing.T) {
	for _, text := range []string{
		"", "ssh-ed25519", "ssh-ed25519 AAAA", "hello", origin + "+00000000+AQ==", origin + "+", "a+b+c",
		testKey(1).Public().SSH() + "\n" + testKey(2).Public().SSH(),
		"ssh-rsa AAAAB3NzaC1yc2EAAAADAQABAAAAgQC9",
		strings.Replace(testKey(1).Public().Verifier(origin), "dock-3", "dock-4", 1), // the hash is of the other name
	} {
		if k, err := ParsePublicKey(text); err == nil {
			t.Errorf("%q is read as %v", text, k)
		}
	}
	if v := testKey(1).Public().Verifier("not an origin"); v != "" {
		t.Errorf("a name with a blank gives %q", v)
	}
}
