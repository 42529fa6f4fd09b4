package main_test

import (
	"bufio"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base32"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// wiredNet is another network of this computer, with one wire to it. Addresses
// are of a network for documentation, which is nobody's (RFC 5737), that this
// computer is not in.
type wiredNet struct {
	name   string
	ours   string // address of this end
	theirs string // of the other
}

// anotherNetwork makes a network namespace as ip-netns(8) does and a pair of
// virtual wires.
func anotherNetwork(t *testing.T) *wiredNet {
	t.Helper()
	if _, err := exec.LookPath("ip"); err != nil {
		t.Skip("ip is missing: apt-get install iproute2")
	}
	if os.Geteuid() != 0 {
		t.Skip("making a network namespace needs root: run the test as root")
	}
	id := os.Getpid() % 100000
	prefix := freePrefix(t)
	n := &wiredNet{name: fmt.Sprintf("bench-%d", id), ours: prefix + "1", theirs: prefix + "2"}
	if out, err := exec.Command("ip", "netns", "add", n.name).CombinedOutput(); err != nil {
		t.Skipf("no network namespaces here: %s", out)
	}
	t.Cleanup(func() { exec.Command("ip", "netns", "del", n.name).Run() }) // and with it the wires
	here, there := fmt.Sprintf("bh%d", id), fmt.Sprintf("bt%d", id)
	for _, args := range [][]string{
		{"link", "add", here, "type", "veth", "peer", "name", there, "netns", n.name},
		{"addr", "add", n.ours + "/30", "dev", here}, {"link", "set", here, "up"},
		{"-n", n.name, "addr", "add", n.theirs + "/30", "dev", there}, {"-n", n.name, "link", "set", there, "up"},
		{"-n", n.name, "link", "set", "lo", "up"},
	} {
		if out, err := exec.Command("ip", args...).CombinedOutput(); err != nil {
			t.Skipf("ip %s: %s", strings.Join(args, " "), out)
		}
	}
	return n
}

// freePrefix is where addresses begin that this computer has no way to yet.
func freePrefix(t *testing.T) string {
	t.Helper()
	has, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	for _, prefix := range []string{"198.51.100.", "203.0.113.", "192.0.2."} {
		if !strings.Contains(fmt.Sprint(has), prefix) {
			return prefix
		}
	}
	t.Skip("every network for documentation is in use here")
	return ""
}

// dial opens a connection from the other network. A socket stays in the namespace
// that it was made in, whichever thread uses it later (network_namespaces(7)).
func (n *wiredNet) dial(_ context.Context, network, address string) (net.Conn, error) {
	runtime.LockOSThread()
	home, err := os.Open("/proc/thread-self/ns/net")
	if err != nil {
		return nil, err
	}
	defer home.Close()
	away, err := os.Open("/run/netns/" + n.name)
	if err != nil {
		return nil, err
	}
	defer away.Close()
	if err := unix.Setns(int(away.Fd()), unix.CLONE_NEWNET); err != nil {
		return nil, err
	}
	conn, dialled := net.DialTimeout(network, address, 5*time.Second)
	if err := unix.Setns(int(home.Fd()), unix.CLONE_NEWNET); err != nil {
		return nil, err // the thread stays locked and ends with its goroutine
	}
	runtime.UnlockOSThread()
	return conn, dialled
}

// certify makes a certificate for addresses and its key, in PEM, in two files, and
// returns what trusts it.
func certify(t *testing.T, dir string, addresses ...string) (certificate, key string, trust *x509.CertPool) {
	t.Helper()
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	plan := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "dock-3"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true,
	}
	for _, a := range addresses {
		plan.IPAddresses = append(plan.IPAddresses, net.ParseIP(a))
	}
	der, err := x509.CreateCertificate(rand.Reader, plan, plan, public, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	certificate, key = filepath.Join(dir, "tls.crt"), filepath.Join(dir, "tls.key")
	chain := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	if err := os.WriteFile(certificate, chain, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600); err != nil {
		t.Fatal(err)
	}
	trust = x509.NewCertPool()
	trust.AppendCertsFromPEM(chain)
	return certificate, key, trust
}

// signNATS signs in over TLS on a connection with the seed of a user, or with
// nothing where it is empty, as docs.nats.io, "Client Protocol", and the format of
// seeds in the README of nkeys say. It returns what the broker says against it.
func signNATS(t *testing.T, conn net.Conn, secure *tls.Config, seed string) (n *rawNATS, refused string) {
	t.Helper()
	t.Cleanup(func() { conn.Close() })
	var info struct {
		Nonce string `json:"nonce"`
		TLS   bool   `json:"tls_required"`
	}
	n = &rawNATS{t: t, conn: conn, in: bufio.NewReader(conn)}
	if err := json.Unmarshal([]byte(strings.TrimPrefix(n.line(), "INFO ")), &info); err != nil {
		t.Fatal(err)
	}
	if secure != nil {
		if !info.TLS {
			t.Error("the broker does not ask for TLS")
		}
		n.conn = tls.Client(conn, secure)
		n.in = bufio.NewReader(n.conn)
	}
	hello := map[string]any{"verbose": false, "pedantic": true, "headers": true, "lang": "test", "version": "1", "protocol": 1}
	if seed != "" {
		raw, err := base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(seed)
		if err != nil || len(raw) != 36 { // two bytes before the seed and two of a checksum behind
			t.Fatalf("a seed of %d bytes, %v", len(raw), err)
		}
		key := ed25519.NewKeyFromSeed(raw[2:34])
		hello["nkey"] = publicNKey(key.Public().(ed25519.PublicKey))
		hello["sig"] = base64.RawURLEncoding.EncodeToString(ed25519.Sign(key, []byte(info.Nonce)))
	}
	text, err := json.Marshal(hello)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Fprintf(n.conn, "CONNECT %s\r\nPING\r\n", text); err != nil {
		return nil, err.Error()
	}
	for {
		n.conn.SetReadDeadline(time.Now().Add(patience))
		line, err := n.in.ReadString('\n')
		switch {
		case err != nil:
			return nil, err.Error()
		case strings.HasPrefix(line, "-ERR"):
			return nil, strings.TrimSpace(line)
		case strings.HasPrefix(line, "PONG"):
			return n, ""
		}
	}
}

// publicNKey writes a user's public key: the byte that makes it begin with U, the
// key, and a CRC-16 of the kind that XMODEM has, low byte first, in base 32.
func publicNKey(key ed25519.PublicKey) string {
	raw := append([]byte{20 << 3}, key...)
	var crc uint16
	for _, b := range raw {
		crc ^= uint16(b) << 8
		for range 8 {
			if crc&0x8000 != 0 {
				crc = crc<<1 ^ 0x1021
			} else {
				crc <<= 1
			}
		}
	}
	return base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(append(raw, byte(crc), byte(crc>>8)))
}
