package config

import (
	"strings"
	"testing"
)

func TestSeal(t *testing.T) {
	cfg := parse(t, minimal)
	if cfg.Seal != (Seal{Origin: "thimbled/bench/" + cfg.Bench.ID}) || strings.Contains(cfg.Describe(), "signed") {
		t.Errorf("without a section the seal is %+v: %s", cfg.Seal, cfg.Describe())
	}
	cfg = parse(t, minimal+"[seal]\nkey = \"/etc/thimbled/seal-key\"\norigin = \"harbour.example/loft-2\"\n")
	if cfg.Seal != (Seal{Key: "/etc/thimbled/seal-key", Origin: "harbour.example/loft-2"}) {
		t.Errorf("the seal is %+v", cfg.Seal)
	}
	if want := "signed with the key in /etc/thimbled/seal-key as those of harbour.example/loft-2"; !strings.Contains(cfg.Describe(), want) {
		t.Errorf("no %q in: %s", want, cfg.Describe())
	}
	// The name of a note's signature has no space and no plus (C2SP signed-note).
	for _, bad := range []string{"", "a b", "a+b", "a\\nb", "é", strings.Repeat("a", 201)} {
		if _, err := Parse("bad.toml", []byte(minimal+"[seal]\norigin = \""+bad+"\"\n")); err == nil || !strings.Contains(err.Error(), "seal.origin") {
			t.Errorf("the origin %q gives %v", bad, err)
		}
	}
}
