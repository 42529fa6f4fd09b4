package systemd_test

import (
	"bufio"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// worstExposure is where a daemon that opens ports and devices stops being well
// confined, on systemd's own scale from 0 (confined) to 10 (not at all).
const worstExposure = 1.5

// TestUnitIsValid has systemd-analyze(1) read the unit. Its program is replaced
// by one that exists, for the daemon need not be installed where it is tested.
func TestUnitIsValid(t *testing.T) {
	requireProgram(t, "systemd-analyze", "systemd")
	unit := readFile(t, "thimbled.service")
	if out, ok := verifyUnit(t, unit); !ok {
		t.Errorf("systemd-analyze verify:\n%s", out)
	}

	bad := strings.Replace(unit, "WatchdogSec=10s", "WatchdogSec=often", 1)
	if bad == unit {
		t.Fatal("the unit has no WatchdogSec=10s to spoil")
	}
	if out, ok := verifyUnit(t, bad); ok {
		t.Errorf("a spoilt unit was found valid:\n%s", out)
	}
}

// TestUnitIsConfined has systemd-analyze(1) weigh what the daemon may do.
func TestUnitIsConfined(t *testing.T) {
	requireProgram(t, "systemd-analyze", "systemd")
	unit := readFile(t, "thimbled.service")
	if got := exposure(t, unit); got >= worstExposure {
		t.Errorf("exposure %.1f, want below %.1f", got, worstExposure)
	}

	open, _, ok := strings.Cut(unit, "NoNewPrivileges=")
	if !ok {
		t.Fatal("the unit has no NoNewPrivileges= to cut it at")
	}
	if got := exposure(t, open); got < worstExposure {
		t.Errorf("a unit cut short has exposure %.1f: the check sees nothing", got)
	}
}

// TestUnitKeepsTheContract compares the unit with what the daemon promises: its
// exit statuses, its notification and its limit of open files.
func TestUnitKeepsTheContract(t *testing.T) {
	unit := settings(readFile(t, "thimbled.service"))
	for key, want := range map[string]string{
		"Type":                     "notify",
		"ExecStart":                "/usr/local/bin/thimbled run --config /etc/thimbled/bench.toml",
		"Restart":                  "always",
		"RestartSec":               "2s",
		"StartLimitIntervalSec":    "0",
		"RestartPreventExitStatus": "78",
		"LimitNOFILE":              "1024",
		"DevicePolicy":             "closed",
		"StateDirectory":           "thimbled",
	} {
		if got := strings.Join(unit[key], "\n"); got != want {
			t.Errorf("%s=%s, want %s", key, got, want)
		}
	}
	if unit["PrivateDevices"] != nil {
		t.Error("PrivateDevices= hides the serial ports")
	}
	if unit["ExecReload"] != nil {
		t.Error("ExecReload= promises what the daemon cannot do")
	}
}

// TestUserAndFolders makes the user with systemd-sysusers(8) and then the
// folders with systemd-tmpfiles(8) below an empty root, and looks who owns what.
func TestUserAndFolders(t *testing.T) {
	requireProgram(t, "systemd-sysusers", "systemd")
	requireProgram(t, "systemd-tmpfiles", "systemd")
	if os.Geteuid() != 0 {
		t.Skip("making a user below another root needs root: run the test as root")
	}
	root := t.TempDir()
	mkdir(t, filepath.Join(root, "etc"))
	run(t, "systemd-sysusers", "--root="+root, absolute(t, "sysusers.d/thimbled.conf"))
	run(t, "systemd-tmpfiles", "--root="+root, "--create", absolute(t, "tmpfiles.d/thimbled.conf"))

	unit := settings(readFile(t, "thimbled.service"))
	passwd := readFile(t, filepath.Join(root, "etc/passwd"))
	user := passwdID(t, passwd, unit["User"][0])
	group := readFile(t, filepath.Join(root, "etc/group"))
	gid := passwdID(t, group, unit["Group"][0])
	passwdID(t, group, unit["SupplementaryGroups"][0])

	checkFolder(t, filepath.Join(root, "var/lib", unit["StateDirectory"][0]), user, gid, 0o750)
	checkFolder(t, filepath.Join(root, "etc/thimbled"), 0, 0, 0o755)
}

// verifyUnit has systemd-analyze read the unit and reports what it printed and
// whether it had nothing to say.
func verifyUnit(t *testing.T, unit string) (string, bool) {
	t.Helper()
	cmd := command(t, "systemd-analyze", "verify", "--man=no", installable(t, unit))
	out, err := cmd.CombinedOutput()
	return string(out), err == nil && len(out) == 0
}

var exposureLine = regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`)

func exposure(t *testing.T, unit string) float64 {
	t.Helper()
	out, err := command(t, "systemd-analyze", "security", "--offline=true", "--no-pager", installable(t, unit)).CombinedOutput()
	match := exposureLine.FindSubmatch(out)
	if match == nil {
		t.Fatalf("systemd-analyze security gave no exposure: %v\n%s", err, out)
	}
	value, err := strconv.ParseFloat(string(match[1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return value
}

var execStart = regexp.MustCompile(`(?m)^ExecStart=.*$`)

// installable writes a copy of the unit whose program exists and returns its path.
func installable(t *testing.T, unit string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "thimbled.service")
	writeFile(t, path, execStart.ReplaceAllString(unit, "ExecStart=/bin/true"))
	return path
}

// settings returns the values of each key of a unit in the order of their lines.
func settings(unit string) map[string][]string {
	values := map[string][]string{}
	lines := bufio.NewScanner(strings.NewReader(unit))
	for lines.Scan() {
		key, value, ok := strings.Cut(lines.Text(), "=")
		if ok && !strings.HasPrefix(key, "#") {
			values[key] = append(values[key], value)
		}
	}
	return values
}

// passwdID returns the number of a name in a file like passwd(5) or group(5).
func passwdID(t *testing.T, file, name string) int {
	t.Helper()
	for line := range strings.Lines(file) {
		fields := strings.Split(line, ":")
		if fields[0] == name {
			id, err := strconv.Atoi(fields[2])
			if err != nil {
				t.Fatal(err)
			}
			return id
		}
	}
	t.Fatalf("no %q among:\n%s", name, file)
	return 0
}

func requireProgram(t *testing.T, name, pkg string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is missing: apt-get install %s", name, pkg)
	}
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := command(t, name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// command speaks English whatever the machine speaks, and cannot hang a test.
func command(t *testing.T, name string, args ...string) *exec.Cmd {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	t.Cleanup(cancel)
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = append(slices.Clone(os.Environ()), "LC_ALL=C.UTF-8")
	return cmd
}

func absolute(t *testing.T, path string) string {
	t.Helper()
	full, err := filepath.Abs(path)
	if err != nil {
		t.Fatal(err)
	}
	return full
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(content)
}

func writeFile(t *testing.T, path, content string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

func mkdir(t *testing.T, path string) {
	t.Helper()
	if err := os.MkdirAll(path, 0o755); err != nil {
		t.Fatal(err)
	}
}
