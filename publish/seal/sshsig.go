package seal

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/pem"
	"errors"
	"fmt"

	"golang.org/x/crypto/ssh"
)

// Namespace is what signatures over certificates are for; one made for another
// purpose does not count.
const Namespace = "certificate@thimbled"

const (
	sshMagic   = "SSHSIG"
	sshArmor   = "SSH SIGNATURE"
	sshVersion = 1
	sshHash    = "sha512"
	ed25519ID  = ssh.KeyAlgoED25519
)

// sshSignature is what stands behind the magic of a signature (PROTOCOL.sshsig of
// OpenSSH).
type sshSignature struct {
	Version       uint32
	PublicKey     string
	Namespace     string
	Reserved      string
	HashAlgorithm string
	Signature     string
}

// signedPart is what is signed, behind the magic.
type signedPart struct{ Namespace, Reserved, HashAlgorithm, Hash string }

func (p signedPart) bytes() []byte { return append([]byte(sshMagic), ssh.Marshal(p)...) }

// SignFile returns a detached signature over a file's content, for the purpose
// [Namespace], that ssh-keygen -Y verify accepts: an armored SSHSIG. The text it
// signs begins with a word that no checkpoint's text can be the beginning of, so
// one key serves both.
func (k *Key) SignFile(content []byte) []byte {
	sum := sha512.Sum512(content)
	part := signedPart{Namespace: Namespace, HashAlgorithm: sshHash, Hash: string(sum[:])}
	signature := ssh.Signature{Format: ed25519ID, Blob: ed25519.Sign(k.private, part.bytes())}
	blob := ssh.Marshal(sshSignature{
		Version: sshVersion, PublicKey: string(k.Public().ssh().Marshal()), Namespace: Namespace,
		HashAlgorithm: sshHash, Signature: string(ssh.Marshal(signature)),
	})
	return pem.EncodeToMemory(&pem.Block{Type: sshArmor, Bytes: append([]byte(sshMagic), blob...)})
}

// Why a signature over a file does not count.
var (
	errNoSSHSIG   = errors.New("it is no SSH signature")
	errNamespace  = fmt.Errorf("it was not made for the purpose %s", Namespace)
	errSSHUnknown = errors.New("it uses what is not known here: another version, hash or kind of key")
	errFile       = errors.New("it is not that of this content")
)

// VerifyFile checks an armored SSHSIG over a file's content, made for the purpose
// [Namespace] by one of the keys.
func VerifyFile(content, armored []byte, keys []PublicKey) error {
	s, err := parseSSHSIG(armored)
	if err != nil {
		return err
	}
	for _, k := range keys {
		if string(k.ssh().Marshal()) == s.PublicKey {
			return s.verify(content, k)
		}
	}
	return errOtherKey
}

func parseSSHSIG(armored []byte) (s sshSignature, err error) {
	block, rest := pem.Decode(armored)
	if block == nil || !bytes.HasPrefix(armored, []byte("-----BEGIN "+sshArmor)) || block.Type != sshArmor || len(block.Headers) > 0 || len(bytes.TrimSpace(rest)) > 0 {
		return s, errNoSSHSIG
	}
	blob, ok := bytes.CutPrefix(block.Bytes, []byte(sshMagic))
	if !ok || ssh.Unmarshal(blob, &s) != nil {
		return s, errNoSSHSIG
	}
	return s, nil
}

func (s sshSignature) verify(content []byte, k PublicKey) error {
	var sum []byte
	switch s.HashAlgorithm {
	case "sha256":
		h := sha256.Sum256(content)
		sum = h[:]
	case "sha512":
		h := sha512.Sum512(content)
		sum = h[:]
	}
	var signature ssh.Signature
	switch {
	case s.Namespace != Namespace:
		return errNamespace
	case s.Version != sshVersion || sum == nil:
		return errSSHUnknown
	case ssh.Unmarshal([]byte(s.Signature), &signature) != nil:
		return errNoSSHSIG
	case signature.Format != ed25519ID || len(signature.Rest) > 0:
		return errSSHUnknown
	}
	part := signedPart{Namespace: s.Namespace, Reserved: s.Reserved, HashAlgorithm: s.HashAlgorithm, Hash: string(sum)}
	if !ed25519.Verify(k.key, part.bytes(), signature.Blob) {
		return errFile
	}
	return nil
}
