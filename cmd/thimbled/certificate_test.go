package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"thimbled/publish"
	"thimbled/publish/journal"
)

var writeStory = flag.Bool("write-story", false, "write the journal in testdata/certificate/verified anew; the golden pages there follow")

const (
	storyDir    = "../../testdata/certificate/journal"
	storyConfig = "../../testdata/certificate/dock-3.toml"
)

// TestStoryIsSound checks the journal of an older version that certificates are tested
// with.
func TestStoryIsSound(t *testing.T) {
	r, err := journal.Audit(storyDir)
	if err != nil || !r.Sound() || r.Records == 0 || r.Traces != 9 || len(r.Notes) > 0 {
		t.Fatalf("audit: %+v, %v", r, err)
	}
}

// certify runs the command in this process.
func certify(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(context.Background(), streams{&o, &e}, append([]string{"certificate"}, args...))
	return status, o.String(), e.String()
}

func TestCertificateCommand(t *testing.T) {
	dir := t.TempDir()
	pdf, html := filepath.Join(dir, "a.pdf"), filepath.Join(dir, "a.HTML")
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   string // on standard output or, if that is empty, standard error
	}{
		{"html to standard output", []string{storyDir, "j-101"}, exitDone, "<!DOCTYPE html>"},
		{"flags first", []string{"--config", storyConfig, "--units", "show", storyDir, "j-101"}, exitDone, "Harbour lifting-gear loft"},
		{"flags last", []string{storyDir, "j-101", "--config", storyConfig}, exitDone, "Harbour lifting-gear loft"},
		{"by record", []string{storyDir, "7"}, exitDone, "HL-0117"},
		{"pdf to standard output", []string{"--format", "pdf", storyDir, "j-101"}, exitDone, "%PDF-"},
		{"pdf file", []string{storyDir, "j-101", "-o", pdf}, exitDone, ""},
		{"html file", []string{storyDir, "j-101", "-o", html}, exitDone, ""},
		{"words as they are", []string{"--", storyDir, "-j"}, exitNo, `there is no test "-j"`},
		{"no such test", []string{storyDir, "j-999"}, exitNo, "record 7  job j-101  item HL-0117  pass"},
		{"not a test's record", []string{storyDir, "8"}, exitNo, "there is no test"},
		{"one word", []string{storyDir}, exitUsage, "need the folder"},
		{"no kind of paper", []string{storyDir, "j-101", "-o", "a.txt"}, exitUsage, "pdf or html"},
		{"no size", []string{storyDir, "j-101", "--paper", "A5"}, exitUsage, "--paper"},
		{"no units", []string{storyDir, "j-101", "--units", "si"}, exitUsage, "--units"},
		{"bad config", []string{storyDir, "j-101", "--config", "../../config/testdata/bad/bench.toml"}, exitConfig, "bench.toml"},
		{"no folder", []string{filepath.Join(dir, "none"), "j-101"}, exitIO, "no such file"},
		{"no place to write", []string{storyDir, "j-101", "-o", filepath.Join(dir, "none", "a.pdf")}, exitIO, "no such file"},
	} {
		status, out, errs := certify(c.args...)
		if status != c.status || !strings.Contains(out+errs, c.says) {
			t.Errorf("%s: status %d, says %.200s%s", c.name, status, out, errs)
		}
		if status != exitDone && out != "" {
			t.Errorf("%s: writes %.100s in spite of status %d", c.name, out, status)
		}
	}
	for path, begins := range map[string]string{pdf: "%PDF-", html: "<!DOCTYPE html>"} {
		if b, err := os.ReadFile(path); err != nil || !bytes.HasPrefix(b, []byte(begins)) {
			t.Errorf("%s begins with %.20s: %v", path, b, err)
		}
	}
}

// copyStory copies the journal so that it can be damaged.
func copyStory(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(storyDir)); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Damaged evidence gives no paper, and its place is told.
func TestCertificateRefusesDamage(t *testing.T) {
	const trace, segment = "traces/000000000004.csv", "000000000001.jsonl"
	for _, c := range []struct {
		name, file string
		damage     func([]byte) []byte // nil removes the file
		says       []string
	}{
		{"a force changed", trace, func(b []byte) []byte { return bytes.Replace(b, []byte("103150"), []byte("103250"), 1) }, []string{trace, "record 7", "SHA-256"}},
		{"a row cut off", trace, func(b []byte) []byte { return b[:bytes.LastIndexByte(b[:len(b)-2], '\n')+1] }, []string{trace, "SHA-256"}},
		{"no trace any more", trace, func(b []byte) []byte { return append([]byte("x"), b...) }, []string{trace, "SHA-256", "line 1"}},
		{"empty", trace, func([]byte) []byte { return nil }, []string{trace, "SHA-256"}},
		{"missing", trace, nil, []string{trace, "no such file"}},
		{"the record changed", segment, func(b []byte) []byte { return bytes.Replace(b, []byte("HL-0117"), []byte("HL-0711"), 1) }, []string{segment}},
	} {
		dir := copyStory(t)
		path := filepath.Join(dir, filepath.FromSlash(c.file))
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if c.damage == nil {
			err = os.Remove(path)
		} else {
			damaged := c.damage(bytes.Clone(b))
			if bytes.Equal(damaged, b) {
				t.Fatalf("%s: nothing was damaged", c.name)
			}
			err = os.WriteFile(path, damaged, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
		status, out, errs := certify(dir, "j-101")
		if status != exitIO || out != "" {
			t.Errorf("%s: status %d, writes %.100s", c.name, status, out)
		}
		for _, says := range c.says {
			if !strings.Contains(errs, says) {
				t.Errorf("%s: %q is not in %s", c.name, says, errs)
			}
		}
	}
}

// A trace outside of the journal's folder is never read, whatever the record
// names.
func TestCertificateStaysInItsFolder(t *testing.T) {
	dir := copyStory(t)
	root, err := os.OpenRoot(filepath.Join(dir, "traces"))
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	if _, err := sealedTrace(root, publish.Trace{Name: "../000000000001.jsonl"}); err == nil || !strings.Contains(err.Error(), "escapes") {
		t.Errorf("a name with dots: %v", err)
	}
}

func TestMakeCertificate(t *testing.T) {
	t.Setenv("THIMBLED_TEST_AS_PROGRAM", "1")
	ctx := t.Context()
	body, kind, err := makeCertificate(ctx, storyDir, storyConfig, "j-105", formatHTML)
	_, want, _ := certify(storyDir, "j-105", "--config", storyConfig)
	if err != nil || kind != "text/html; charset=utf-8" || string(body) != want {
		t.Errorf("html: %v, %s, %d bytes, want %d", err, kind, len(body), len(want))
	}
	body, kind, err = makeCertificate(ctx, storyDir, "", "j-105", formatPDF)
	if err != nil || kind != "application/pdf" || !bytes.HasPrefix(body, []byte("%PDF-")) {
		t.Errorf("pdf: %v, %s, %.10s", err, kind, body)
	}
	_, _, err = makeCertificate(ctx, storyDir, "", "-o", formatPDF)
	var refused *publish.Refusal
	if !errors.As(err, &refused) || refused.Code != publish.NotFound || !strings.Contains(refused.Why, `there is no test "-o"`) || strings.Contains(refused.Why, "\n") {
		t.Errorf("no such test: %v", err)
	}
	if _, _, err = makeCertificate(ctx, filepath.Join(storyDir, "none"), "", "j-105", formatPDF); err == nil || errors.As(err, &refused) || !strings.Contains(err.Error(), "no such file") {
		t.Errorf("no such folder: %v", err)
	}
	over, cancel := context.WithCancel(ctx)
	cancel()
	if _, _, err = makeCertificate(over, storyDir, "", "j-105", formatPDF); !errors.Is(err, context.Canceled) {
		t.Errorf("in a context that has ended: %v", err)
	}
}

// The program nice, without arguments, prints the priority it was started with.
func TestStartNice(t *testing.T) {
	nice, err := exec.LookPath("nice")
	if err != nil {
		t.Skip("nice is not there: install coreutils")
	}
	priority := func(start func(*exec.Cmd) error) string {
		var out bytes.Buffer
		c := exec.Command(nice)
		c.Stdout = &out
		if err := start(c); err != nil {
			t.Fatal(err)
		}
		if err := c.Wait(); err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(out.String())
	}
	before := priority((*exec.Cmd).Start)
	if got := priority(startNice); got != strconv.Itoa(certificateNice) {
		t.Errorf("the child's priority is %s, want %d", got, certificateNice)
	}
	if after := priority((*exec.Cmd).Start); after != before {
		t.Errorf("our own priority was %s and is %s now", before, after)
	}
}

func TestBoundedOutput(t *testing.T) {
	w := &bounded{most: 10}
	if _, err := w.Write(make([]byte, 10)); err != nil || w.over {
		t.Errorf("as much as there may be: %v", err)
	}
	if _, err := w.Write([]byte("x")); err == nil || !w.over || w.b.Len() != 10 {
		t.Errorf("more than there may be: %v, %d", err, w.b.Len())
	}
}
