package main

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"

	"thimbled/config"
	"thimbled/publish/nats"
)

// outsideSignIn is how the daemon signs in to a broker that runs elsewhere.
func outsideSignIn(c *config.Config, getenv func(string) string) (s nats.SignIn, err error) {
	if c.NATS.Credentials != "" {
		if s.Credentials, err = readSecret(c.NATS.Credentials, getenv); err != nil {
			return s, fmt.Errorf("nats.credentials: %w", err)
		}
	}
	if c.NATS.NKey != "" {
		if s.Seed, err = readSecret(c.NATS.NKey, getenv); err != nil {
			return s, fmt.Errorf("nats.nkey: %w", err)
		}
	}
	if c.NATS.CA != "" {
		if s.TLS, err = vouchedBy(c.NATS.CA, getenv); err != nil {
			return s, fmt.Errorf("nats.ca: %w", err)
		}
	}
	if err := s.Check(); err != nil {
		return s, fmt.Errorf("nats: %w", err)
	}
	return s, nil
}

// vouchedBy trusts the certificates of a file.
func vouchedBy(name string, getenv func(string) string) (*tls.Config, error) {
	text, err := readOpen(name, getenv)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(text) {
		return nil, errors.New("there is no certificate in PEM in it")
	}
	return &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}, nil
}

// readOpen reads a file that is no secret.
func readOpen(name string, getenv func(string) string) ([]byte, error) {
	path, err := config.File(name, getenv)
	if err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, largestKey+1))
	if err == nil && len(text) > largestKey {
		err = fmt.Errorf("%s: larger than %d bytes", path, largestKey)
	}
	return text, err
}

// target is where a command asks, and how it signs in there.
type target struct {
	url, bench string
	as         nats.SignIn
}

// signIn adds what the flags say to a target.
func (a askFlags) signIn(t target) (target, error) {
	var err error
	if a.nkey != "" {
		if t.as.Seed, err = readSecret(a.nkey, os.Getenv); err != nil {
			return t, usagef("--nkey: %w", err)
		}
		t.as.Credentials = nil
	}
	if a.ca != "" {
		if t.as.TLS, err = vouchedBy(a.ca, os.Getenv); err != nil {
			return t, usagef("--ca: %w", err)
		}
	}
	if err := t.as.Check(); err != nil {
		return t, usageError{err}
	}
	return t, nil
}

// targetOf is where the daemon of a config answers.
func targetOf(c *config.Config) (target, error) {
	t := target{url: c.NATS.URL, bench: c.Bench.ID}
	var err error
	if t.url != "" {
		t.as, err = outsideSignIn(c, os.Getenv)
		return t, err
	}
	t.url = "nats://" + nearest(c.NATS.Listen)
	if c.Access.Users != "" && c.Access.Certificate != "" {
		t.url = "tls://" + nearest(c.NATS.Listen)
		if t.as.TLS, err = pinned(c.Access.Certificate); err != nil {
			return t, fmt.Errorf("access.tls_certificate: %w", err)
		}
	}
	if c.Access.NKey != "" {
		if t.as.Seed, err = readSecret(c.Access.NKey, os.Getenv); err != nil {
			return t, fmt.Errorf("access.nkey: %w", err)
		}
	}
	return t, nil
}

// nearest is an address that this computer can reach a listener at.
func nearest(listen string) string {
	host, port, err := net.SplitHostPort(listen)
	if address, bad := netip.ParseAddr(host); err == nil && (host == "" || bad == nil && address.IsUnspecified()) {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return listen
}

// pinned trusts the very certificate of a file, whatever names stand in it: it is
// the daemon's own, on the same computer.
func pinned(name string) (*tls.Config, error) {
	text, err := readOpen(name, os.Getenv)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, errors.New("there is no certificate in PEM in it")
	}
	return &tls.Config{
		InsecureSkipVerify: true, // for the comparison below, which is stricter
		MinVersion:         tls.VersionTLS12,
		VerifyConnection: func(s tls.ConnectionState) error {
			if !bytes.Equal(s.PeerCertificates[0].Raw, block.Bytes) {
				return errors.New("the broker shows another certificate than the config names")
			}
			return nil
		},
	}, nil
}
