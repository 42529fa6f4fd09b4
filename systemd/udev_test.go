package systemd_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// trialPort is a device that every Linux has. It stands in for a USB adapter.
const (
	trialPort = "/sys/devices/virtual/tty/tty"
	trialName = `KERNEL!="tty", GOTO="thimbled_end"`
	realNames = `KERNEL!="ttyUSB[0-9]*|ttyACM[0-9]*", GOTO="thimbled_end"`
)

// TestDeviceRules has udevadm(8) apply the rules, out of sight of the machine, to
// adapters with and without a serial number.
func TestDeviceRules(t *testing.T) {
	rules := trialRules(t)
	for _, port := range []struct {
		name, facts string
		want        []string
	}{
		{
			"an adapter with a serial number",
			`ENV{ID_SERIAL_SHORT}="A1B2", ENV{ID_USB_INTERFACE_NUM}="00", ENV{ID_PATH}="pci-0-usb-0:2:1.0"`,
			[]string{"DEVLINKS=/dev/bench/adapter-A1B2-if00", "ID_MM_DEVICE_IGNORE=1", "ID_MM_PORT_IGNORE=1"},
		},
		{
			"an adapter without one",
			`ENV{ID_USB_INTERFACE_NUM}="00", ENV{ID_PATH}="pci-0-usb-0:2:1.0"`,
			[]string{"DEVLINKS=/dev/bench/socket-pci-0-usb-0:2:1.0", "ID_MM_DEVICE_IGNORE=1"},
		},
	} {
		out := applyRules(t, port.facts+"\n", rules)
		if fault := ruleFault.FindString(out); fault != "" {
			t.Errorf("%s: %s", port.name, fault)
		}
		for _, want := range port.want {
			if !strings.Contains(out, want+"\n") {
				t.Errorf("%s: no %s in:\n%s", port.name, want, out)
			}
		}
	}
}

// TestDeviceRulesLeaveOthersAlone applies the rules as they are to a device that
// is no USB adapter.
func TestDeviceRulesLeaveOthersAlone(t *testing.T) {
	out := applyRules(t, `ENV{ID_SERIAL_SHORT}="A1B2"`+"\n", readFile(t, "udev/60-thimbled.rules"))
	for _, unwanted := range []string{"DEVLINKS=/dev/bench", "ID_MM_"} {
		if strings.Contains(out, unwanted) {
			t.Errorf("%s in:\n%s", unwanted, out)
		}
	}
}

// TestDeviceRuleFaultIsSeen shows that a wrong rule does not pass in silence.
func TestDeviceRuleFaultIsSeen(t *testing.T) {
	out := applyRules(t, "", trialRules(t)+`KERNEL=="tty", UNKNOWN="1"`+"\n")
	if !ruleFault.MatchString(out) {
		t.Errorf("a wrong rule was accepted:\n%s", out)
	}
}

// ruleFault is how udevadm names a line that it cannot use.
var ruleFault = regexp.MustCompile(`(?m)^\S+/[0-9]+-[a-z]+\.rules:[0-9]+ .*$`)

// trialRules returns the rules with the trial port in the place of USB ports.
func trialRules(t *testing.T) string {
	t.Helper()
	rules := readFile(t, "udev/60-thimbled.rules")
	if strings.Count(rules, realNames) != 1 {
		t.Fatalf("the rules do not have the one line %s", realNames)
	}
	return strings.Replace(rules, realNames, trialName, 1)
}

// applyRules runs udevadm in a mount namespace of its own, whose /run and /dev
// are empty, and returns all that it printed.
func applyRules(t *testing.T, facts, rules string) string {
	t.Helper()
	requireProgram(t, "udevadm", "udev")
	requireProgram(t, "unshare", "util-linux")
	if os.Geteuid() != 0 || command(t, "unshare", "--mount", "true").Run() != nil {
		t.Skip("trying device rules unseen needs root and mount namespaces: run the test as root")
	}
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "59-facts.rules"), facts)
	writeFile(t, filepath.Join(dir, "60-thimbled.rules"), rules)
	return run(t, "unshare", "--mount", "sh", "-euc", `
		mount -t tmpfs none /run
		mkdir -p /run/udev/rules.d
		cp "$1"/*.rules /run/udev/rules.d/
		mount -t tmpfs none /dev
		mknod /dev/tty c 5 0
		udevadm test --action=add "$2" 2>&1`, "sh", dir, trialPort)
}
