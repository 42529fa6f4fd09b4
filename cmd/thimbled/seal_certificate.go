package main

import (
	"errors"
	"flag"
	"fmt"
	"os"

	"thimbled/config"
	"thimbled/publish/seal"
)

// signatureSuffix is what the name of a signature has behind that of its file.
const signatureSuffix = ".sig"

// signFlags are those flags of thimbled certificate that a signature needs.
type signFlags struct {
	sign bool
	key  string
}

func (s *signFlags) add(f *flag.FlagSet) {
	f.BoolVar(&s.sign, "sign", false, "sign it as well, into a file with "+signatureSuffix+" behind its name")
	f.StringVar(&s.key, "key", "", "the `file` with the private key for --sign; by default as the config says")
}

// check checks the flags for a certificate that goes to a file, or to - for none.
func (s *signFlags) check(to string) error {
	switch {
	case s.key != "" && !s.sign:
		return usagef("--key has no meaning without --sign")
	case s.sign && to == "-":
		return usagef("--sign needs -o and the name of a file, for the signature goes beside it")
	}
	return nil
}

// read returns the key to sign with; nil if nothing is to be signed.
func (s *signFlags) read(configPath string) (*seal.Key, error) {
	if !s.sign {
		return nil, nil
	}
	if s.key != "" {
		return seal.ReadKey(s.key)
	}
	b := &config.Config{}
	if configPath != "" {
		var err error
		if b, err = loadConfig(configPath); err != nil {
			return nil, err
		}
	}
	k, err := sealKey(b, os.Getenv)
	if err == nil && k == nil {
		err = usageError{errors.New("--sign needs a key: name its file with --key, or with --config a config that has one")}
	}
	return k, err
}

// writeSignature signs what was written to a file; no key means not to.
func writeSignature(k *seal.Key, to string, content []byte) error {
	if k == nil {
		return nil
	}
	if err := os.WriteFile(to+signatureSuffix, k.SignFile(content), 0o644); err != nil {
		return fmt.Errorf("write signature: %w", err)
	}
	return nil
}
