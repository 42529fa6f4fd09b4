package main_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"thimbled/publish"
)

// TestPageSignIn signs in and out in a browser: what an operator asks for is recorded
// under the name that signed in, and a viewer is offered nothing to ask for.
func TestPageSignIn(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	dir := t.TempDir()
	p := &openBench{
		pagedBench: &pagedBench{config: filepath.Join(dir, "bench.toml"), journal: filepath.Join(dir, "journal"), web: reserve(t)},
		users:      filepath.Join(dir, "users"), passwords: map[publish.Role]string{}, seeds: map[publish.Role]string{},
	}
	for _, role := range everyRole[:2] {
		p.addUser(t, dir, role)
	}
	text := fmt.Sprintf(simulatedConfig, startSimulated(t, dir), p.journal, reserve(t), p.web) + fmt.Sprintf("\n[access]\nusers = %q\n", p.users)
	if err := os.WriteFile(p.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	p.daemon = start(t, "run", "--config", p.config)
	until(t, "the daemon", func() bool { return b.try("POST", "/url", map[string]any{"url": p.url()}, nil) == nil })
	b.size(820, 1180)
	b.untilText("h1", "Sign in to the bench")
	b.shoot("sign-in")
	sign := func(name, password string) {
		b.write("input[name=name]", name)
		b.write("input[name=password]", password)
		b.click("button")
	}
	sign("operateer", "not the password")
	b.untilText(".alarm", "there is no such name")
	sign("operateer", p.passwords[publish.Operate])
	b.untilText("#signed-as", "operateer (operate)")
	b.shoot("signed-in")
	var who struct {
		Value    string
		ReadOnly bool
	}
	b.run(`const w = document.querySelector("#who"); return { value: w.value, readOnly: w.readOnly }`, &who)
	if who.Value != "operateer" || !who.ReadOnly {
		t.Errorf("who asks is shown as %+v", who)
	}
	b.until("zero to be set", func() bool {
		b.run(`document.querySelector("#bench-work").open = true`, nil)
		b.click(`form[data-ask="zero"] button`)
		return len(p.recordsOf(t, "thimbled.zero.set")) > 0
	})
	if r := p.recordsOf(t, "thimbled.zero.set")[0]; !bytes.Contains(r.Data, []byte(`"operateer"`)) {
		t.Errorf("recorded: %s", r.Data)
	}
	b.click("#sign-out")
	b.untilText("h1", "Sign in to the bench")
	sign("viewer", p.passwords[publish.View])
	b.untilText("#signed-as", "viewer (view)")
	if b.shown("#work") {
		t.Error("a viewer is offered commands")
	}
	if said := b.complaints(); len(said) > 0 {
		t.Logf("the browser's console: %q", said)
	}
}
