package main_test

import (
	"bufio"
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	main "thimbled/cmd/thimbled"
	"thimbled/publish"
)

// openBench is a daemon that other computers reach, with a user of each role.
type openBench struct {
	*pagedBench
	nats      string
	trust     *x509.CertPool
	users     string
	passwords map[publish.Role]string
	seeds     map[publish.Role]string
}

var everyRole = []publish.Role{publish.View, publish.Operate, publish.Administer}

// startOpen starts it on an address of this computer.
func startOpen(t *testing.T, address string) *openBench {
	t.Helper()
	dir := t.TempDir()
	port := func() string {
		_, p, err := net.SplitHostPort(reserve(t))
		if err != nil {
			t.Fatal(err)
		}
		return net.JoinHostPort(address, p)
	}
	b := &openBench{
		pagedBench: &pagedBench{config: filepath.Join(dir, "bench.toml"), journal: filepath.Join(dir, "journal"), web: port()},
		nats:       port(), users: filepath.Join(dir, "users"), passwords: map[publish.Role]string{}, seeds: map[publish.Role]string{},
	}
	for _, role := range everyRole {
		b.addUser(t, dir, role)
	}
	certificate, key, trust := certify(t, dir, address)
	b.trust = trust
	link := startSimulated(t, dir)
	text := fmt.Sprintf(simulatedConfig, link, b.journal, b.nats, b.web) +
		fmt.Sprintf("\n[access]\nusers = %q\ntls_certificate = %q\ntls_key = %q\n", b.users, certificate, key)
	if err := os.WriteFile(b.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b.daemon = start(t, "run", "--config", b.config)
	client := b.client(nil)
	until(t, "the daemon to be healthy", func() bool {
		r := b.request("GET", "/healthz", "")
		r.SetBasicAuth("viewer", b.passwords[publish.View])
		answer, err := client.Do(r)
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
	return b
}

// startSimulated starts a simulated bench and returns where it answers.
func startSimulated(t *testing.T, dir string) string {
	t.Helper()
	pulls := filepath.Join(dir, "pulls.txt")
	if err := os.WriteFile(pulls, []byte(daily), 0o600); err != nil {
		t.Fatal(err)
	}
	bench := start(t, "simulate", "--dir", dir, "--fast", "10", "--pulls", pulls)
	var link string
	until(t, "the simulated bench", func() bool {
		_, after, found := strings.Cut(bench.out.String(), "Modbus TCP")
		if found {
			link = strings.Fields(after)[0]
		}
		return found
	})
	return link
}

// addUser has the program make a user with a password and a key.
func (b *openBench) addUser(t *testing.T, dir string, role publish.Role) {
	t.Helper()
	name := role.String() + "er"
	password, seed := "over the sea to "+name, filepath.Join(dir, name+".nk")
	c := exec.Command(os.Args[0], "users", "add", name, "--role", role.String(), "--nkey", seed, "--file", b.users)
	c.Env = append(os.Environ(), asProgram+"=1")
	c.Stdin = strings.NewReader(password + "\n")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("add %s: %v: %s", name, err, out)
	}
	text, err := os.ReadFile(seed)
	if err != nil {
		t.Fatal(err)
	}
	b.passwords[role], b.seeds[role] = password, strings.TrimSpace(string(text))
}

// client makes HTTP requests from the other network, or from this one if nil.
func (b *openBench) client(from *wiredNet) *http.Client {
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: b.trust}, DisableKeepAlives: true}
	if from != nil {
		transport.DialContext = from.dial
	}
	return &http.Client{
		Transport: transport, Timeout: patience,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// request makes one as the page itself would.
func (b *openBench) request(method, path, body string) *http.Request {
	r, err := http.NewRequest(method, "https://"+b.web+path, strings.NewReader(body))
	if err != nil {
		panic(err) // the texts are ours
	}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", "https://"+b.web)
	}
	return r
}

func (b *openBench) fetch(t *testing.T, c *http.Client, r *http.Request) (code int, text string) {
	t.Helper()
	answer, err := c.Do(r)
	if err != nil {
		t.Fatalf("%s %s: %v", r.Method, r.URL, err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(io.LimitReader(answer.Body, 1<<20))
	if err != nil {
		t.Fatalf("%s %s: %v", r.Method, r.URL, err)
	}
	return answer.StatusCode, string(body)
}

// signIn returns the cookie of a user's session.
func (b *openBench) signIn(t *testing.T, c *http.Client, role publish.Role) *http.Cookie {
	t.Helper()
	r := b.request("POST", "/sign-in", url.Values{"name": {role.String() + "er"}, "password": {b.passwords[role]}}.Encode())
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answer, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusSeeOther || len(answer.Cookies()) != 1 {
		t.Fatalf("signing in gets %s", answer.Status)
	}
	return answer.Cookies()[0]
}

// everyRoute are the requests that the daemon answers over HTTP.
func everyRoute() []string {
	all := []string{
		"GET /", "GET /setup", "GET /live", "GET /curve", "GET /pulls", "GET /pulls/1/curve", "GET /certificate/j-1.pdf", "GET /certificate/j-1.html",
		"GET /page/main.js", "GET /page/index.html", "GET /metrics", "GET /healthz", "GET /debug/pprof/", "GET /../../etc/passwd", "POST /sign-out",
	}
	for _, command := range main.Commands() {
		all = append(all, "POST /ask/"+command)
	}
	return all
}

// TestFromAnotherNetwork stands on another network than the bench: without
// credentials it can read and write nothing; with those of a viewer it reads, and no
// command passes; other hosts and origins get no answer. A daemon with the usual config
// cannot be reached at all.
func TestFromAnotherNetwork(t *testing.T) {
	n := anotherNetwork(t)
	b := startOpen(t, n.ours)
	client := b.client(n)
	t.Run("stranger on HTTP", func(t *testing.T) { b.strangerOnHTTP(t, client) })
	t.Run("stranger without TLS", func(t *testing.T) { b.strangerWithoutTLS(t, n) })
	t.Run("stranger on NATS", func(t *testing.T) { b.strangerOnNATS(t, n) })
	t.Run("viewer on HTTP", func(t *testing.T) { b.viewerOnHTTP(t, client) })
	t.Run("viewer on NATS", func(t *testing.T) { b.viewerOnNATS(t, n) })
	t.Run("foreign host and origin", func(t *testing.T) { b.foreigner(t, client) })
	b.nothingWasDone(t)
	t.Run("operator", func(t *testing.T) { b.operator(t, n) })
	t.Run("secrets", func(t *testing.T) { b.secretsAreKept(t) })
	b.daemon.stop(t)
	t.Run("usual config", func(t *testing.T) { unreachable(t, n) })
}

func (b *openBench) strangerOnHTTP(t *testing.T, c *http.Client) {
	for _, route := range everyRoute() {
		method, path, _ := strings.Cut(route, " ")
		for _, upgrade := range []bool{false, true} {
			r := b.request(method, path, "{}")
			if upgrade {
				r.Header.Set("Connection", "Upgrade")
				r.Header.Set("Upgrade", "websocket")
				r.Header.Set("Sec-WebSocket-Version", "13")
				r.Header.Set("Sec-WebSocket-Key", "dGhlIHNhbXBsZSBub25jZQ==")
			}
			code, text := b.fetch(t, c, r)
			turnedAway := code == http.StatusUnauthorized || path == "/" && code == http.StatusSeeOther || upgrade && code == http.StatusBadRequest ||
				strings.Contains(path, "..") && code == http.StatusTemporaryRedirect
			if !turnedAway || strings.Contains(text, "dock-3") || strings.Contains(text, "thimbled_") {
				t.Errorf("%s (upgrade %t) gets %d: %.200s", route, upgrade, code, text)
			}
		}
	}
}

func (b *openBench) strangerWithoutTLS(t *testing.T, n *wiredNet) {
	conn, err := n.dial(t.Context(), "tcp", b.web)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(patience))
	fmt.Fprintf(conn, "GET /setup HTTP/1.1\r\nHost: %s\r\n\r\n", b.web)
	text, _ := io.ReadAll(conn)
	if bytes.Contains(text, []byte("dock-3")) || bytes.HasPrefix(text, []byte("HTTP/1.1 2")) {
		t.Errorf("the page answers without TLS: %.200s", text)
	}
}

func (b *openBench) strangerOnNATS(t *testing.T, n *wiredNet) {
	strange := strings.Replace(b.seeds[publish.View], b.seeds[publish.View][20:40], b.seeds[publish.Operate][20:40], 1)
	for name, seed := range map[string]string{"no key": "", "a strange key": strange} {
		conn, err := n.dial(t.Context(), "tcp", b.nats)
		if err != nil {
			t.Fatal(err)
		}
		if _, refused := signNATS(t, conn, b.secure(), seed); !strings.Contains(refused, "Authorization Violation") {
			t.Errorf("with %s the broker says %q", name, refused)
		}
	}
	conn, err := n.dial(t.Context(), "tcp", b.nats)
	if err != nil {
		t.Fatal(err)
	}
	conn.SetDeadline(time.Now().Add(patience))
	in := bufio.NewReader(conn)
	if info, err := in.ReadString('\n'); err != nil || strings.Contains(info, `"tls_required":true`) == false {
		t.Errorf("the broker greets with %q, %v", info, err)
	}
	fmt.Fprint(conn, "CONNECT {\"verbose\":true}\r\nSUB bench.> 1\r\nPUB bench.dock-3.ask.zero 2\r\n{}\r\nPING\r\n")
	said, _ := io.ReadAll(in)
	if bytes.Contains(said, []byte("+OK")) || bytes.Contains(said, []byte("PONG")) || bytes.Contains(said, []byte("MSG")) {
		t.Errorf("the broker talks without TLS: %.200q", said)
	}
}

func (b *openBench) secure() *tls.Config {
	host, _, _ := net.SplitHostPort(b.nats)
	return &tls.Config{RootCAs: b.trust, ServerName: host}
}

func (b *openBench) viewerOnHTTP(t *testing.T, c *http.Client) {
	cookie := b.signIn(t, c, publish.View)
	if !cookie.Secure || !cookie.HttpOnly || cookie.SameSite != http.SameSiteStrictMode {
		t.Errorf("the cookie is %s", cookie)
	}
	for path, want := range map[string]string{"/": "<title>", "/setup": "dock-3", "/pulls": "pulls", "/metrics": "thimbled_force_newtons", "/healthz": "", "/curve": "points"} {
		r := b.request("GET", path, "")
		r.AddCookie(cookie)
		if code, text := b.fetch(t, c, r); code != http.StatusOK || !strings.Contains(text, want) {
			t.Errorf("%s gets %d: %.100s", path, code, text)
		}
	}
	for _, command := range main.Commands() {
		r := b.request("POST", "/ask/"+command, `{"by":"somebody"}`)
		r.AddCookie(cookie)
		code, text := b.fetch(t, c, r)
		if publish.RoleFor(command) > publish.View && code != http.StatusForbidden && code != http.StatusNotFound {
			t.Errorf("%s of a viewer gets %d: %s", command, code, text)
		}
		if publish.RoleFor(command) == publish.View && code == http.StatusForbidden {
			t.Errorf("%s is refused to a viewer: %s", command, text)
		}
	}
	r := b.request("GET", "/metrics", "")
	r.SetBasicAuth("viewer", b.passwords[publish.View])
	if code, text := b.fetch(t, c, r); code != http.StatusOK || !strings.Contains(text, "thimbled_") {
		t.Errorf("the metrics get %d", code)
	}
}

// as signs in to the broker.
func (b *openBench) as(t *testing.T, n *wiredNet, role publish.Role) *rawNATS {
	t.Helper()
	conn, err := n.dial(t.Context(), "tcp", b.nats)
	if err != nil {
		t.Fatal(err)
	}
	client, refused := signNATS(t, conn, b.secure(), b.seeds[role])
	if refused != "" {
		t.Fatalf("%s is refused: %s", role, refused)
	}
	return client
}

func (b *openBench) viewerOnNATS(t *testing.T, n *wiredNet) {
	client := b.as(t, n, publish.View)
	client.subscribe("bench.dock-3.reading")
	if m := client.next(); m.subject != "bench.dock-3.reading" || !bytes.Contains(m.body, []byte("age_seconds")) {
		t.Errorf("heard %s: %s", m.subject, m.body)
	}
	client = b.as(t, n, publish.View)
	if m := client.ask("bench.dock-3.ask.status", "{}"); !bytes.Contains(m.body, []byte("dock-3")) {
		t.Errorf("the status is %s", m.body)
	}
	m := client.ask("JS.dock-3.API.DIRECT.GET.BENCH_dock-3", `{"seq":1}`)
	if !bytes.Contains(m.body, []byte("version")) {
		t.Errorf("the first record is %s", m.body)
	}
	subjects := []string{
		"bench.dock-3.reading", "bench.dock-3.state", "bench.dock-3.event.pull.ended",
		"$JS.API.STREAM.PURGE.BENCH_dock-3", "$JS.API.STREAM.DELETE.BENCH_dock-3", "$JS.API.STREAM.UPDATE.BENCH_dock-3", "$JS.API.STREAM.MSG.DELETE.BENCH_dock-3",
	}
	for _, command := range main.Commands() {
		if publish.RoleFor(command) > publish.View {
			subjects = append(subjects, "bench.dock-3.ask."+command)
		}
	}
	for _, subject := range subjects {
		client.send("PUB %s _INBOX.viewer 2\r\n{}\r\n", subject)
		if line := client.line(); !strings.HasPrefix(line, "-ERR 'Permissions Violation for Publish") {
			t.Errorf("%s of a viewer gets %q", subject, line)
		}
	}
}

func (b *openBench) foreigner(t *testing.T, c *http.Client) {
	cookie := b.signIn(t, c, publish.Administer)
	for _, route := range everyRoute() {
		method, path, _ := strings.Cut(route, " ")
		for name, change := range map[string]func(*http.Request){
			"host":   func(r *http.Request) { r.Host = "bench.evil.example" },
			"origin": func(r *http.Request) { r.Header.Set("Origin", "https://evil.example") },
			"site":   func(r *http.Request) { r.Header.Del("Origin"); r.Header.Set("Sec-Fetch-Site", "cross-site") },
		} {
			r := b.request(method, path, "{}")
			r.AddCookie(cookie)
			change(r)
			code, text := b.fetch(t, c, r)
			if code != http.StatusForbidden && code != http.StatusMisdirectedRequest || strings.Contains(text, "dock-3") {
				t.Errorf("%s with a foreign %s gets %d: %.100s", route, name, code, text)
			}
		}
	}
}

// nothingWasDone looks for events of commands in the journal.
func (b *openBench) nothingWasDone(t *testing.T) {
	t.Helper()
	for _, r := range journalOf(t, b.journal) {
		for _, kind := range []string{"job", "zero.set", "tare", "inspect", "weigh", "verif", "test", "refused", "correct"} {
			if strings.HasPrefix(strings.TrimPrefix(r.Type, "thimbled."), kind) && bytes.Contains(r.Data, []byte(`"by":"`)) {
				t.Errorf("something was done: %s", r.line)
			}
		}
	}
}

// operator opens a job over NATS in somebody else's name: it is recorded under the
// operator's own, and what needs an administrator is refused.
func (b *openBench) operator(t *testing.T, n *wiredNet) {
	client := b.as(t, n, publish.Operate)
	until(t, "the job to be opened", func() bool {
		m := client.ask("bench.dock-3.ask.job.open", `{"by":"Forged Name","BY":"Forged Too","item":"HL-1","required":"100 kN"}`)
		return m.header.Get("Nats-Service-Error-Code") == ""
	})
	opened := b.recordsOf(t, "thimbled.job.opened")
	if len(opened) != 1 || bytes.Contains(opened[0].Data, []byte("Forged")) || !bytes.Contains(opened[0].Data, []byte(`"operateer"`)) {
		t.Errorf("recorded: %+v", opened)
	}
	client.send("PUB bench.dock-3.ask.verify.record _INBOX.x 2\r\n{}\r\n")
	if line := client.line(); !strings.HasPrefix(line, "-ERR 'Permissions Violation") {
		t.Errorf("what an administrator may, of an operator, gets %q", line)
	}
	seed := filepath.Join(filepath.Dir(b.users), "operateer.nk")
	if status, out, errs := do(t, "job", "show", "--config", b.config, "--nkey", seed); status != 0 || !strings.Contains(out, "HL-1") {
		t.Errorf("the command on this computer ends with %d: %s%s", status, out, errs)
	}
	if status, out, _ := do(t, "zero", "--config", b.config); status != 1 || !strings.Contains(out, "no:") {
		t.Errorf("the command without a key ends with %d: %s", status, out)
	}
	viewer := filepath.Join(filepath.Dir(b.users), "viewer.nk")
	if status, out, _ := do(t, "zero", "--config", b.config, "--nkey", viewer); status != 1 || !strings.Contains(out, "not allowed") {
		t.Errorf("the command of a viewer ends with %d: %s", status, out)
	}
}

// secretsAreKept looks for secrets where they do not belong.
func (b *openBench) secretsAreKept(t *testing.T) {
	secrets := slices.Concat(slices.Collect(maps.Values(b.passwords)), slices.Collect(maps.Values(b.seeds)))
	text, err := os.ReadFile(b.users)
	if err != nil {
		t.Fatal(err)
	}
	for _, field := range strings.Fields(string(text)) {
		if _, sum, found := strings.Cut(field, "pbkdf2-sha256$"); found {
			secrets = append(secrets, sum)
		}
	}
	key, err := os.ReadFile(filepath.Join(filepath.Dir(b.users), "tls.key"))
	if err != nil {
		t.Fatal(err)
	}
	secrets = append(secrets, strings.Split(string(key), "\n")[1])
	status, checked, errs := do(t, "check", "--config", b.config)
	if status != 0 {
		t.Errorf("check ends with %d: %s", status, errs)
	}
	var records strings.Builder
	for _, r := range journalOf(t, b.journal) {
		records.WriteString(r.line)
	}
	if len(secrets) != 10 {
		t.Errorf("%d secrets to look for", len(secrets))
	}
	for where, text := range map[string]string{"the log": b.daemon.out.String(), "check": checked + errs, "the journal": records.String()} {
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%s tells %q", where, secret)
			}
		}
	}
}

// unreachable starts a daemon with the usual config and looks for it.
func unreachable(t *testing.T, n *wiredNet) {
	dir := t.TempDir()
	path, nats, web := filepath.Join(dir, "bench.toml"), reserve(t), reserve(t)
	text := fmt.Sprintf(simulatedConfig, startSimulated(t, dir), filepath.Join(dir, "journal"), nats, web)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	d := start(t, "run", "--config", path)
	until(t, "the daemon to be healthy", func() bool { return healthy(web) })
	for _, address := range []string{nats, web} {
		_, port, _ := net.SplitHostPort(address)
		for _, host := range []string{n.ours, "127.0.0.1"} {
			if conn, err := n.dial(t.Context(), "tcp", net.JoinHostPort(host, port)); err == nil {
				conn.Close()
				t.Errorf("%s port %s can be reached", host, port)
			}
		}
	}
	d.stop(t)
}

// TestOpenNeedsUsersAndTLS names all that is missing, and ends with the status of
// a bad config.
func TestOpenNeedsUsersAndTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	certificate, _, _ := certify(t, dir, "127.0.0.1")
	for _, path := range []string{"users", "open"} {
		if err := os.WriteFile(filepath.Join(dir, path), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(filepath.Join(dir, "open"), 0o644); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		listen, access string
		says           []string
	}{
		"open with nothing":  {"0.0.0.0:0", "", []string{"http.listen", "nats.listen", "access.users", "access.tls_key"}},
		"users but no TLS":   {"0.0.0.0:0", "users = 'users'", []string{"access.tls_certificate"}},
		"files not there":    {"127.0.0.1:0", "users = 'none'\ntls_certificate = 'none'\ntls_key = 'none'", []string{"access.users", "access.tls_certificate"}},
		"nobody in it":       {"127.0.0.1:0", "users = 'users'", []string{"nobody stands in it"}},
		"users for all eyes": {"127.0.0.1:0", "users = 'open'", []string{"readable by everybody"}},
		"key for all eyes":   {"127.0.0.1:0", "tls_certificate = '" + certificate + "'\ntls_key = 'open'", []string{"readable by everybody"}},
		"another's key":      {"127.0.0.1:0", "tls_certificate = '" + certificate + "'\ntls_key = 'users'", []string{"access.tls_certificate"}},
	} {
		access := c.access
		for _, file := range []string{"users", "open", "none"} {
			access = strings.ReplaceAll(access, "'"+file+"'", "'"+filepath.Join(dir, file)+"'")
		}
		text := fmt.Sprintf(simulatedConfig, "127.0.0.1:9", filepath.Join(dir, "journal"), c.listen, c.listen) + "\n[access]\n" + access + "\n"
		path := filepath.Join(dir, "bench.toml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, command := range []string{"run", "check"} {
			status, out, errs := do(t, command, "--config", path)
			if status != 78 {
				t.Errorf("%s: %s ends with %d: %s", name, command, status, errs)
			}
			for _, want := range c.says {
				if !strings.Contains(out+errs, want) {
					t.Errorf("%s: %s does not say %q: %s%s", name, command, want, out, errs)
				}
			}
		}
	}
}

// TestCredentialsAreSystemds: the daemon does not start without what systemd hands
// over; a check by hand says that it has not seen it.
func TestCredentialsAreSystemds(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.toml")
	text := fmt.Sprintf(simulatedConfig, "127.0.0.1:9", filepath.Join(dir, "journal"), "0.0.0.0:0", "0.0.0.0:0") +
		"\n[access]\nusers = '$CREDENTIALS_DIRECTORY/users'\ntls_certificate = '/none'\ntls_key = '$CREDENTIALS_DIRECTORY/tls-key'\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := do(t, "run", "--config", path); status != 78 || !strings.Contains(errs, "$CREDENTIALS_DIRECTORY is not set") {
		t.Errorf("the daemon ends with %d: %s", status, errs)
	}
	status, out, errs := do(t, "check", "--config", path)
	if status != 0 || !strings.Contains(out, "access.users is handed over by systemd") || !strings.Contains(out, "access.tls_key is handed over") {
		t.Errorf("the check ends with %d: %s%s", status, out, errs)
	}
}

// TestTableOfRolesIsWhole compares the table of roles with the commands that there are.
func TestTableOfRolesIsWhole(t *testing.T) {
	if want := publish.CommandsOf(publish.Administer); !slices.Equal(main.Commands(), want) {
		t.Errorf("the commands are %q, the table of roles has %q", main.Commands(), want)
	}
}

// TestNobodySignsForAnother puts the user's own name into requests.
func TestNobodySignsForAnother(t *testing.T) {
	for body, want := range map[string]string{
		`{}`: `{"by":"ada"}`, ``: `{"by":"ada"}`, `null`: `{"by":"ada"}`, `{"by":"ben","item":"x"}`: `{"by":"ada","item":"x"}`,
		`{"By":"ben","bY":"cy","by":"dan"}`: `{"by":"ada"}`, `{"by":{"x":1},"force":"1 kN"}`: `{"by":"ada","force":"1 kN"}`,
	} {
		got, err := main.NameIn([]byte(body), "ada")
		if err != nil || string(got) != want {
			t.Errorf("%s becomes %s, %v", body, got, err)
		}
	}
	for _, body := range []string{`[]`, `"by"`, `{`, `{} {}`} {
		if got, err := main.NameIn([]byte(body), "ada"); err == nil {
			t.Errorf("%s becomes %s", body, got)
		}
	}
}

func FuzzNameIn(f *testing.F) {
	f.Add(`{"by":"ben","item":"x"}`, "ada")
	f.Add(`{"By":1,"b\u0079":2}`, "ada")
	f.Fuzz(func(t *testing.T, body, name string) {
		got, err := main.NameIn([]byte(body), name)
		if err != nil || !utf8.ValidString(name) { // no user's name is
			return
		}
		var r struct {
			By string `json:"by"`
		}
		if err := json.Unmarshal(got, &r); err != nil || r.By != name {
			t.Errorf("%q asked by %q, %v: %s", body, r.By, err, got)
		}
	})
}
