package systemd_test

import (
	"slices"
	"strings"
	"testing"
)

// TestUnitStartsWithoutAKey compares the unit with what systemd.exec(5) says of
// SetCredential=: with a value of the same name a file that LoadCredential= does not find
// is no error.
func TestUnitStartsWithoutAKey(t *testing.T) {
	unit := settings(readFile(t, "thimbled.service"))
	if got := unit["LoadCredential"]; !slices.Equal(got, []string{"seal-key:/etc/thimbled/seal-key"}) {
		t.Errorf("LoadCredential=%q", got)
	}
	if got := unit["SetCredential"]; !slices.Equal(got, []string{"seal-key:none"}) {
		t.Errorf("SetCredential=%q", got)
	}
	requireProgram(t, "systemd-analyze", "systemd")
	bad := strings.Replace(readFile(t, "thimbled.service"), "SetCredential=seal-key:none", "SetCredential=seal-key", 1)
	if out, ok := verifyUnit(t, bad); ok {
		t.Errorf("a credential without a value was found valid:\n%s", out)
	}
}
