package config

import (
	"errors"
	"fmt"
	"net"
	"regexp"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Access says who may use the bench from where. Each file may begin with
// [Credentials].
type Access struct {
	Users       string   // file of the users; empty: nobody signs in
	Certificate string   // file of the listeners' certificates, PEM; empty: no TLS
	Key         string   // file of the certificate's private key, PEM
	Hosts       []string // names, without a port, that the page is also known by
	NKey        string   // file of the seed that commands on this computer sign in with; may be empty
}

// Credentials begins the name of a file that systemd hands over.
const Credentials = "$CREDENTIALS_DIRECTORY/"

var accessKeys = []key{
	{name: "users", example: `"/etc/thimbled/users"`,
		doc:   "File of those who may sign in, as thimbled users writes it; without it nobody signs in, and the daemon listens on this computer only.",
		field: words("/etc/thimbled/users", checkCredential, func(d *draft, s string) { d.cfg.Access.Users = s })},
	{name: "tls_certificate", example: `"/etc/thimbled/tls.crt"`,
		doc:   "File with the certificate of the page and the embedded NATS server, and those that vouch for it, in PEM.",
		field: words("/etc/thimbled/tls.crt", checkCredential, func(d *draft, s string) { d.cfg.Access.Certificate = s })},
	{name: "tls_key", example: `"$CREDENTIALS_DIRECTORY/tls-key"`,
		doc:   "File with the certificate's private key, in PEM, for its owner alone; $CREDENTIALS_DIRECTORY/ before a name takes what systemd hands over.",
		field: words("/etc/thimbled/tls.key", checkCredential, func(d *draft, s string) { d.cfg.Access.Key = s })},
	{name: "hosts", example: `["dock-3.example"]`,
		doc:   "Names that people reach the page by, beside this computer's own and the address that it listens on.",
		field: hostNames(func(d *draft, names []string) { d.cfg.Access.Hosts = names })},
	{name: "nkey", example: `"/home/anna/thimbled.nk"`,
		doc:   "File with the NATS user seed that commands on this computer sign in with, unless --nkey names another.",
		field: words("/home/anna/thimbled.nk", notEmpty, func(d *draft, s string) { d.cfg.Access.NKey = s })},
}

// checkCredential accepts a file, or the bare name of a credential.
func checkCredential(s string) error {
	name, handed := strings.CutPrefix(s, Credentials)
	if handed && (name == "" || name == "." || name == ".." || strings.Contains(name, "/")) {
		return fmt.Errorf("%q names no credential: write one name behind %s", s, Credentials)
	}
	if !handed && strings.HasPrefix(s, "$") {
		return fmt.Errorf("%q: no other variable than %s stands for a folder", s, strings.TrimSuffix(Credentials, "/"))
	}
	return notEmpty(s)
}

var hostName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$`)

// hostNames is a list of names of hosts.
func hostNames(put func(*draft, []string)) field {
	const most = 16
	return field{set: func(d *draft, v value) error {
		if err := v.needs(unstable.Array, `["dock-3.example"]`); err != nil {
			return err
		}
		if len(v.list) == 0 || len(v.list) > most {
			return fmt.Errorf("has %d names: write 1 to %d, or leave the key out", len(v.list), most)
		}
		names := make([]string, len(v.list))
		for i, one := range v.list {
			if one.kind != unstable.String || !hostName.MatchString(one.text) && net.ParseIP(one.text) == nil {
				return fmt.Errorf("%s is no name of a host: write one without scheme, port and path, in quotes", one.toml())
			}
			names[i] = strings.ToLower(one.text)
		}
		put(d, names)
		return nil
	}}
}

// checkAccess refuses to be open to other computers without users and TLS.
func (d *draft) checkAccess() {
	g, a := d.given["access"], d.cfg.Access
	if g.sound("tls_certificate", "tls_key") && (a.Certificate == "") != (a.Key == "") {
		d.wrong(g, "tls_certificate and tls_key are of use together only: write both", "tls_certificate", "tls_key")
	}
	d.checkOpen("http", d.cfg.HTTP.Listen)
	d.checkOpen("nats", d.cfg.NATS.Listen)
}

func (d *draft) checkOpen(section, address string) {
	g := d.given[section]
	if !g.sound("listen") || address == "" || Loopback(address) {
		return
	}
	var lacks []string
	access := d.given["access"]
	if access.sound("users") && d.cfg.Access.Users == "" {
		lacks = append(lacks, "access.users")
	}
	if access.sound("tls_certificate", "tls_key") && d.cfg.Access.Certificate == "" && d.cfg.Access.Key == "" {
		lacks = append(lacks, "access.tls_certificate and access.tls_key")
	}
	if len(lacks) > 0 {
		d.wrong(g, fmt.Sprintf("%s is open to other computers, which needs %s: write them, or listen on 127.0.0.1",
			address, strings.Join(lacks, ", ")), "listen")
	}
}

// Loopback says that an address, host:port, can be reached from this computer only.
func Loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	return err == nil && (host == "localhost" || net.ParseIP(host).IsLoopback())
}

// checkNATSAccess: one way to sign in is enough.
func (d *draft) checkNATSAccess() {
	g, n := d.given["nats"], d.cfg.NATS
	if g.sound("credentials", "nkey") && n.Credentials != "" && n.NKey != "" {
		d.wrong(g, "a server is signed in to with credentials or with an nkey: keep one", "nkey", "credentials")
	}
}

func embeddedOn(d *draft) string {
	if d.cfg.NATS.URL == "" {
		return "has no meaning without url: the embedded server needs no signing in of the daemon's own"
	}
	return ""
}

// natsSignKeys say how the daemon signs in to a server that runs elsewhere.
var natsSignKeys = []key{
	{name: "credentials", example: `"/etc/thimbled/nats.creds"`, unfit: embeddedOn,
		doc:   "File with the credentials (JWT and seed) for the server of url, for its owner alone.",
		field: words("/etc/thimbled/nats.creds", checkCredential, func(d *draft, s string) { d.cfg.NATS.Credentials = s })},
	{name: "nkey", example: `"/etc/thimbled/nats.nk"`, unfit: embeddedOn,
		doc:   "File with the user seed for the server of url, for its owner alone.",
		field: words("/etc/thimbled/nats.nk", checkCredential, func(d *draft, s string) { d.cfg.NATS.NKey = s })},
	{name: "ca", example: `"/etc/thimbled/nats-ca.crt"`, unfit: embeddedOn,
		doc:   "File with the certificates that vouch for the server of url, in PEM; by default those of the system.",
		field: words("/etc/thimbled/nats-ca.crt", checkCredential, func(d *draft, s string) { d.cfg.NATS.CA = s })},
}

func (c *Config) describeAccess() string {
	a := c.Access
	s := "Nobody signs in: who can use this computer can use the bench."
	if a.Users != "" {
		s = fmt.Sprintf("Those in %s may sign in, each in the role that stands there.", a.Users)
	}
	if a.Certificate != "" {
		s += fmt.Sprintf(" Connections are encrypted with the certificate in %s.", a.Certificate)
	}
	if len(a.Hosts) > 0 {
		s += fmt.Sprintf(" The page is known as %s.", strings.Join(a.Hosts, ", "))
	}
	return s
}

var errNoCredentials = errors.New("$CREDENTIALS_DIRECTORY is not set: systemd sets it where LoadCredential= is written")

// File returns the file that a key names, with [Credentials] put in.
func File(name string, getenv func(string) string) (string, error) {
	rest, handed := strings.CutPrefix(name, Credentials)
	if !handed {
		return name, nil
	}
	dir := getenv("CREDENTIALS_DIRECTORY")
	if dir == "" {
		return "", fmt.Errorf("find %s: %w", name, errNoCredentials)
	}
	return dir + "/" + rest, nil
}
