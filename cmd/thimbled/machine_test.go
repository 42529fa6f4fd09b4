package main_test

import (
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"thimbled/publish"
)

// machineConfig is the config of a bench on the emulated computer, whose other end
// of the network is 10.0.2.2. Emulation is slow and uneven, so polls are few and gaps are forgiven.
const machineConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"

[[line]]
name = "rs485"
kind = "rtu"
device = "/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_cell-if00-port0"
baud = 19200
parity = "even"

[[line]]
name = "gateway"
kind = "tcp"
address = "10.0.2.2:%s"

[load]
line = "rs485"
unit_id = 1
type = "uint32"
unit = "N"
every = "100 ms"
timeout = "500 ms"

[pressure]
line = "gateway"
unit_id = 1
type = "uint32"
scale = 0.01
unit = "bar"
every = "200 ms"
timeout = "500 ms"

[capture]
max_gap = "5 s"

[nats]
listen = %q

[http]
listen = %q
`

// machineBench is a bench whose daemon runs as a service on a computer of its own.
type machineBench struct {
	*openBench
	*machine
	browser *http.Client
	cookie  *http.Cookie
}

// newMachineBench writes what is to be installed: first as a newcomer does, with the
// page on loopback alone, then with users, to be reached from here.
func newMachineBench(t *testing.T) *machineBench {
	t.Helper()
	dir := t.TempDir()
	b := &openBench{
		pagedBench: &pagedBench{config: filepath.Join(dir, "bench.toml"), web: reserve(t)},
		nats:       reserve(t), users: filepath.Join(dir, "users"), passwords: map[publish.Role]string{}, seeds: map[publish.Role]string{},
	}
	for _, role := range everyRole {
		b.addUser(t, dir, role)
	}
	certificate, key, trust := certify(t, dir, "127.0.0.1")
	b.trust = trust
	pressure := newStormLoad(t)
	pressure.force.Store(1234)
	_, port, _ := net.SplitHostPort(pressure.address)
	anywhere := func(address string) string { return strings.Replace(address, "127.0.0.1", "0.0.0.0", 1) }
	open := filepath.Join(dir, "open.toml")
	access := "\n[access]\nusers = '/etc/thimbled/users'\ntls_certificate = '/etc/thimbled/tls.crt'\ntls_key = '$CREDENTIALS_DIRECTORY/tls-key'\n"
	for path, text := range map[string]string{
		b.config: fmt.Sprintf(machineConfig, port, b.nats, b.web),
		open:     fmt.Sprintf(machineConfig, port, anywhere(b.nats), anywhere(b.web)) + access,
	} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	files := map[string]string{
		"thimbled": filepath.Join(dir, "thimbled"), "bench.toml": b.config, "open.toml": open,
		"users": b.users, "tls.crt": certificate, "tls.key": key,
	}
	for _, name := range []string{"thimbled.service", "sysusers.d/thimbled.conf", "tmpfiles.d/thimbled.conf", "udev/60-thimbled.rules"} {
		files["systemd/"+name] = filepath.Join("../../systemd", name)
	}
	build := exec.Command("go", "build", "-o", files["thimbled"], ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, out)
	}
	return &machineBench{openBench: b, machine: newMachine(t, files, b.nats, b.web), browser: b.client(nil)}
}

// TestOnAMachine installs the daemon as a service the way systemd/README.md says, on an
// emulated computer, and lets it work there on the unit's restrictions: a whole test
// over a serial adapter, evidence signed and read from another computer; the adapter is
// pulled out and put back, the daemon is killed and stopped still, and at last the power fails.
func TestOnAMachine(t *testing.T) {
	b := newMachineBench(t)
	b.boot()
	b.install(t)
	b.signIn(t)
	t.Run("confined", b.isConfined)
	t.Run("whole test", b.provesAnItem)
	t.Run("adapter pulled out", b.losesTheAdapter)
	t.Run("killed and hung", b.isStartedAgain)
	t.Run("power cut", b.losesPower)
	b.do("systemctl stop thimbled")
	if got := b.do("systemctl show -P Result -P ActiveState thimbled"); !slices.Equal(strings.Fields(got), []string{"success", "inactive"}) {
		t.Errorf("stopped, the service is %q", got)
	}
}

// install runs the README's commands, but for building and looking on, and then opens
// the bench to other computers.
func (b *machineBench) install(t *testing.T) {
	t.Helper()
	b.do("mkdir -p /var/tmp/tape && tar -xf /dev/vdb -C /var/tmp/tape && cd /var/tmp/tape && install thimbled /usr/local/bin/")
	text, err := os.ReadFile("../../systemd/README.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(text), "```")
	if len(blocks) != 5 {
		t.Fatalf("the README has %d parts", len(blocks))
	}
	for line := range strings.Lines(strings.TrimPrefix(blocks[1], "sh\n")) {
		if !strings.HasPrefix(line, "go build") && !strings.HasPrefix(line, "journalctl") {
			b.do(strings.TrimSpace(line))
		}
	}
	b.waitActive(t)
	b.do("install -m 640 -g thimbled users open.toml /etc/thimbled/ && mv /etc/thimbled/open.toml /etc/thimbled/bench.toml")
	b.do("install -m 644 tls.crt /etc/thimbled/ && install -m 600 tls.key /etc/thimbled/")
	b.do("mkdir -p /etc/systemd/system/thimbled.service.d")
	for line := range strings.Lines(strings.TrimSpace(blocks[3])) {
		b.do(fmt.Sprintf("echo %q >>/etc/systemd/system/thimbled.service.d/override.conf", strings.TrimSpace(line)))
	}
	b.do("systemctl daemon-reload && systemctl restart thimbled")
	b.waitActive(t)
}

// waitActive waits until the daemon says that it is ready.
func (b *machineBench) waitActive(t *testing.T) {
	t.Helper()
	within(t, bootPatience, "the service to be active", func() bool {
		status, _ := b.try("systemctl is-active thimbled")
		return status == 0
	})
}

func (b *machineBench) signIn(t *testing.T) {
	t.Helper()
	b.cookie = b.openBench.signIn(t, b.browser, publish.Operate)
}

// get reads what the page serves.
func (b *machineBench) get(t *testing.T, path string) string {
	t.Helper()
	r := b.request("GET", path, "")
	r.AddCookie(b.cookie)
	code, text := b.fetch(t, b.browser, r)
	if code != http.StatusOK {
		t.Fatalf("%s gets %d: %.200s", path, code, text)
	}
	return text
}

// measures waits for a line of the metrics.
func (b *machineBench) measures(t *testing.T, line string) {
	t.Helper()
	var text string
	defer func() {
		if t.Failed() {
			t.Logf("the metrics:\n%s", text)
		}
	}()
	within(t, workPatience, line, func() bool {
		text = b.get(t, "/metrics")
		return strings.Contains(text, line+"\n")
	})
}

// isConfined asks systemd and the kernel what the running daemon may do.
func (b *machineBench) isConfined(t *testing.T) {
	out := b.do("systemd-analyze security --no-pager thimbled.service")
	match := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`).FindStringSubmatch(out)
	if match == nil {
		t.Fatalf("systemd-analyze says no exposure:\n%s", out)
	}
	if exposure, err := strconv.ParseFloat(match[1], 64); err != nil || exposure >= 1.5 {
		t.Errorf("exposure %s, want below 1.5:\n%s", match[1], out)
	}
	t.Logf("exposure %s", match[1])
	status := b.do("cat /proc/$(systemctl show -P MainPID thimbled)/status")
	for _, want := range []string{`CapPrm:\s0+\n`, `CapEff:\s0+\n`, `CapBnd:\s0+\n`, `NoNewPrivs:\s1\n`, `Seccomp:\s2\n`, `Uid:\s[1-9]`} {
		if !regexp.MustCompile(want).MatchString(status) {
			t.Errorf("the kernel does not say %s:\n%s", want, status)
		}
	}
}

// provesAnItem pulls an item over the serial line, and reads verdict, certificate and
// records from this computer.
func (b *machineBench) provesAnItem(t *testing.T) {
	b.measures(t, "thimbled_force_newtons 0")
	b.measures(t, "thimbled_pressure_pascals 1.234e+06")
	b.open(t, "HL-0042")
	b.force.Store(102000)
	b.measures(t, "thimbled_force_newtons 102000")
	time.Sleep(4 * time.Second)     // the hold
	for force := range uint32(20) { // all at once would be a sudden loss
		time.Sleep(200 * time.Millisecond)
		b.force.Store(5000 * (19 - force))
	}
	within(t, workPatience, "the pull to end", func() bool { return hasType(b.records(t), "thimbled.pull.ended") })
	records := b.records(t)
	if !hasType(records, "thimbled.test.ended") {
		t.Fatalf("the pull ends, the test does not: %s", records[len(records)-1].line)
	}
	n := b.broker(t, publish.View)
	n.subscribe("bench.dock-3.reading")
	if m := n.next(); !strings.Contains(string(m.body), "age_seconds") {
		t.Errorf("heard %s", m.body)
	}
	kinds := map[string]bool{}
	var job string
	for _, r := range records {
		kinds[r.Type] = true
		if r.Type == "thimbled.test.ended" {
			job = regexp.MustCompile(`"job":"([^"]+)"`).FindStringSubmatch(string(r.Data))[1]
		}
	}
	for _, want := range []string{"thimbled.pull.ended", "thimbled.test.ended", "thimbled.journal.sealed"} {
		if !kinds[want] {
			t.Errorf("no record of %s", want)
		}
	}
	if text := b.get(t, "/certificate/"+job+".pdf"); !strings.HasPrefix(text, "%PDF-") {
		t.Errorf("the certificate begins with %.20q", text)
	}
	b.do("thimbled backup /var/lib/thimbled /var/tmp/copy")
	if out := b.do("thimbled audit /var/tmp/copy"); !strings.Contains(out, "is sound") {
		t.Errorf("the audit of the copy says %s", out)
	}
}

// open has a job opened; it is refused until the force is known to be at rest.
func (b *machineBench) open(t *testing.T, item string) {
	t.Helper()
	within(t, bootPatience, "the job to be opened", func() bool {
		r := b.request("POST", "/ask/job.open", fmt.Sprintf(`{"item":%q,"required":"100 kN","limit":"112 kN","hold":"2 s"}`, item))
		r.AddCookie(b.cookie)
		code, _ := b.fetch(t, b.browser, r)
		return code == http.StatusOK
	})
}

// broker signs in to the broker.
func (b *machineBench) broker(t *testing.T, role publish.Role) *rawNATS {
	t.Helper()
	conn, err := net.Dial("tcp", b.nats)
	if err != nil {
		t.Fatal(err)
	}
	n, refused := signNATS(t, conn, b.secure(), b.seeds[role])
	if refused != "" {
		t.Fatal(refused)
	}
	return n
}

// losesTheAdapter pulls the serial adapter out and puts it back in.
func (b *machineBench) losesTheAdapter(t *testing.T) {
	b.monitor("device_del adapter")
	b.measures(t, `thimbled_instrument_up{instrument="load"} 0`)
	b.do("sleep 1; ! ls /dev/ttyUSB0")
	b.monitor("device_add " + adapter)
	b.measures(t, `thimbled_instrument_up{instrument="load"} 1`)
	b.measures(t, "thimbled_force_newtons 0")
}

// isStartedAgain kills the daemon, then has it stand still until the watchdog ends it.
func (b *machineBench) isStartedAgain(t *testing.T) {
	for i, signal := range []string{"KILL", "STOP"} {
		b.do("systemctl kill --kill-whom=main --signal=" + signal + " thimbled")
		within(t, bootPatience, "the service to be started again", func() bool {
			return strings.TrimSpace(b.do("systemctl show -P NRestarts thimbled")) == strconv.Itoa(i+1)
		})
		b.waitActive(t)
	}
	if log := b.do("journalctl --no-pager -u thimbled"); !strings.Contains(log, "Watchdog timeout") {
		t.Errorf("nothing of the watchdog in the log:\n%s", log)
	}
	b.signIn(t)
}

// losesPower cuts the power in mid-pull. What had been recorded is there afterwards, the
// pull is on record as interrupted, its job still open, and the evidence sound.
func (b *machineBench) losesPower(t *testing.T) {
	b.open(t, "HL-0043")
	b.force.Store(80000)
	var before []record
	within(t, workPatience, "the pull to start", func() bool {
		before = b.records(t)
		return before[len(before)-1].Type == "thimbled.pull.started"
	})
	b.cutPower()
	b.force.Store(0)
	b.boot()
	b.waitActive(t)
	after := b.records(t)
	checkKept(t, before, after)
	if checkInterrupted(t, before, after[len(before):]) != 1 {
		t.Error("no pull was in hand")
	}
	if out := b.do("thimbled audit /var/lib/thimbled"); !strings.Contains(out, "is sound") {
		t.Errorf("the audit says %s", out)
	}
	n := b.broker(t, publish.View)
	within(t, bootPatience, "the last record on the broker", func() bool {
		lines := b.records(t)
		m := n.ask("JS.dock-3.API.DIRECT.GET.BENCH_dock-3", fmt.Sprintf(`{"seq":%d}`, len(lines)))
		id := m.header["ce-id"]
		return len(id) == 1 && id[0] == lines[len(lines)-1].ID
	})
	b.signIn(t)
	b.measures(t, "thimbled_force_newtons 0")
}

// records reads the journal.
func (b *machineBench) records(t *testing.T) []record {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "journal.jsonl"), []byte(b.do("cat /var/lib/thimbled/*.jsonl")), 0o600); err != nil {
		t.Fatal(err)
	}
	return journalOf(t, dir)
}
