package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish/certificate"
)

// reported runs the command in this process.
func reported(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(context.Background(), streams{&o, &e}, append([]string{"report"}, args...))
	return status, o.String(), e.String()
}

func TestReportCommand(t *testing.T) {
	dir := t.TempDir()
	pdf := filepath.Join(dir, "v.pdf")
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"html", []string{verifiedDir, "5"}, exitDone, "judged again for this report, with the same result"},
		{"the other range", []string{verifiedDir, "30", "--config", verifiedConfig, "--paper", "Letter"}, exitDone, "Harbour lifting-gear loft"},
		{"what is on record counts, not the config", []string{verifiedDir, "30", "--config", storyConfig}, exitDone, "0.01 kN"},
		{"pdf", []string{verifiedDir, "5", "-o", pdf}, exitDone, ""},
		{"no verification", []string{verifiedDir, "7"}, exitNo, "record 30  made 2026-04-07 08:21:14 UTC  8000 N to 48000 N  range low"},
		{"none at all", []string{storyDir, "7"}, exitNo, "the journal has none"},
		{"one word", []string{verifiedDir}, exitUsage, "number of the record of a verification"},
		{"no kind of paper", []string{verifiedDir, "5", "-o", "v.txt"}, exitUsage, "pdf or html"},
		{"no folder", []string{filepath.Join(dir, "none"), "5"}, exitIO, "no such file"},
	} {
		status, out, errs := reported(c.args...)
		if status != c.status || !strings.Contains(strings.ReplaceAll(out+errs, "\u00a0", " "), c.says) {
			t.Errorf("%s: status %d, says %.300s%s", c.name, status, out, errs)
		}
	}
	if b, err := os.ReadFile(pdf); err != nil || !bytes.HasPrefix(b, []byte("%PDF-")) {
		t.Errorf("%s begins with %.20s: %v", pdf, b, err)
	}
}

// A report can be signed as a certificate can: OpenSSH checks it.
func TestReportIsSigned(t *testing.T) {
	keygen, err := exec.LookPath("ssh-keygen")
	if err != nil {
		t.Skip("ssh-keygen is not there: apt-get install -y openssh-client")
	}
	dir := t.TempDir()
	key, paper, signers := filepath.Join(dir, "key"), filepath.Join(dir, "v.html"), filepath.Join(dir, "signers")
	if out, err := exec.Command(keygen, "-q", "-t", "ed25519", "-N", "", "-f", key).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if status, _, errs := reported(verifiedDir, "5", "-o", paper, "--sign", "--key", key); status != exitDone {
		t.Fatalf("status %d: %s", status, errs)
	}
	public, err := os.ReadFile(key + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(signers, append([]byte("bench "), public...), 0o600); err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(paper)
	if err != nil {
		t.Fatal(err)
	}
	verify := func(content []byte) error {
		c := exec.Command(keygen, "-Y", "verify", "-f", signers, "-I", "bench", "-n", "certificate@thimbled", "-s", paper+".sig")
		c.Stdin = bytes.NewReader(content)
		return c.Run()
	}
	if err := verify(content); err != nil {
		t.Errorf("the signature: %v", err)
	}
	if err := verify(bytes.Replace(content, []byte("0.0938"), []byte("0.0838"), 1)); err == nil {
		t.Error("an altered report has a good signature")
	}
}

// What a paper says of the bench is what was on record at its time.
func TestSetupOnRecord(t *testing.T) {
	c, err := loadConfig(verifiedConfig)
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]string{}
	for _, p := range c.Parameters() {
		known[p.Name] = p.Value
	}
	atHand := certificate.Setup{Digest: "other", Capacity: peak.Kilonewton}
	got := setupOnRecord(known, atHand)
	if !got.Recorded || got.Capacity != 250*peak.Kilonewton || got.Division != 50*peak.Newton || got.Serial != "LC-250-17" || len(got.Ranges) != 2 ||
		got.Ranges[0].Division != 10*peak.Newton || got.LoadEvery != 20*time.Millisecond || got.PressureEvery != 100*time.Millisecond {
		t.Errorf("the setup is %+v", got)
	}
	if got := setupOnRecord(nil, atHand); got.Recorded || got.Capacity != peak.Kilonewton {
		t.Errorf("without parameters: %+v", got)
	}
}
