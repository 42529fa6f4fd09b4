package config

import (
	"fmt"
	"regexp"
)

// Seal says how the journal is signed.
type Seal struct {
	Key    string // file of the private key, as written; empty if not
	Origin string // what checkpoints call the journal
}

var sealKeys = []key{
	{name: "key", example: `"/etc/thimbled/seal-key"`,
		doc: "File with the private key that signs the journal and certificates: Ed25519, as ssh-keygen writes it without a passphrase, for its owner alone; by default the credential seal-key that systemd hands over, and without that nothing is signed.",
		field: words("/etc/thimbled/seal-key", notEmpty,
			func(d *draft, s string) { d.cfg.Seal.Key = s })},
	{name: "origin", fallback: func(d *draft) value { return str("thimbled/bench/" + d.cfg.Bench.ID) },
		doc: "What checkpoints call the journal; it should be no other journal's.",
		field: words("thimbled/bench/dock-3", checkOrigin,
			func(d *draft, s string) { d.cfg.Seal.Origin = s })},
}

var originText = regexp.MustCompile(`^[A-Za-z0-9._:/-]+$`)

// checkOrigin accepts what can be the first line of a checkpoint and the name of
// its signature.
func checkOrigin(s string) error {
	const longest = 200
	if !originText.MatchString(s) || len(s) > longest {
		return fmt.Errorf("%q is no origin: write 1 to %d letters, digits and - . _ : /", s, longest)
	}
	return nil
}
