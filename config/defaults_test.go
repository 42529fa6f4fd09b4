package config

import (
	"bytes"
	"os"
	"os/exec"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2/unstable"
)

// The reference is what Defaults writes.
func TestReferenceIsTheTableOfKeys(t *testing.T) {
	var b bytes.Buffer
	if err := Defaults(&b); err != nil {
		t.Fatal(err)
	}
	golden(t, "reference.toml", b.String())
}

// The reference means the same as a config that leaves every default out.
func TestReferenceEqualsTheDefaults(t *testing.T) {
	reference, err := Load("reference.toml")
	if err != nil {
		t.Fatal(err)
	}
	if len(reference.Warnings) > 0 {
		t.Errorf("the reference has warnings:\n%v", reference.Warnings)
	}
	plain := parse(t, minimal+"[pressure]\nline = \"rs485\"\n[cylinder]\nbore = \"200 mm\"\nrod = \"110 mm\"\n")
	plain.Path, plain.Digest, plain.Warnings = reference.Path, reference.Digest, reference.Warnings
	if !reflect.DeepEqual(reference, plain) {
		t.Errorf("the reference is\n%+v, the defaults are\n%+v", reference, plain)
	}
}

// Every key of the table is in the reference once, and nothing else; what is a
// comment there would be read if it were not one.
func TestReferenceHasEveryKey(t *testing.T) {
	data, err := os.ReadFile("reference.toml")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]string{}
	section := ""
	for line := range strings.Lines(string(data)) {
		if m := regexp.MustCompile(`^(?:# )?\[+([a-z.]+)\]+\n$`).FindStringSubmatch(line); m != nil {
			section = m[1]
		}
		if m := regexp.MustCompile(`^(?:# )?([a-z_]+) = (.*)\n$`).FindStringSubmatch(line); m != nil {
			name := section + "." + m[1]
			if seen[name] != "" {
				t.Errorf("%s is there twice", name)
			}
			seen[name] = m[2]
		}
	}
	for _, s := range sections {
		for _, k := range s.keys {
			written := seen[s.name+"."+k.name]
			delete(seen, s.name+"."+k.name)
			if err := accepts(s, k, written); err != nil {
				t.Errorf("%s.%s = %s: %v", s.name, k.name, written, err)
			}
			if k.doc == "" || !strings.HasSuffix(k.doc, ".") || strings.Contains(k.doc, ". ") {
				t.Errorf("%s.%s is not told in one sentence: %q", s.name, k.name, k.doc)
			}
		}
	}
	if len(seen) > 0 {
		t.Errorf("keys that nobody knows: %v", seen)
	}
}

// accepts reads a value as the key would.
func accepts(s section, k key, written string) error {
	d := &draft{cfg: &Config{Pressure: &Transducer{}, Lines: []Line{{}}, Ranges: []Range{{}}}, rules: []*ruleBlock{{}}}
	d.enter(&given{section: s.name})
	if s.name == "pressure" {
		d.inst = &d.cfg.Pressure.Instrument
	}
	var p unstable.Parser
	p.Reset([]byte("x = " + written))
	if !p.NextExpression() {
		return p.Error()
	}
	v := p.Expression().Value()
	read := value{kind: v.Kind, text: string(v.Data)}
	if v.Kind == unstable.Array {
		for each := v.Children(); each.Next(); {
			read.list = append(read.list, value{kind: each.Node().Kind, text: string(each.Node().Data)})
		}
	}
	return k.field.set(d, read)
}

// Another reader of TOML finds the same values, so the files are TOML and not
// only what our parser takes for it.
func TestOtherReaderAgrees(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import tomllib").Run(); err != nil {
		t.Skip("no " + python + " of 3.11 or newer: install python3")
	}
	for _, path := range []string{"reference.toml", "dock-3.toml"} {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var ours strings.Builder
		for _, b := range readDocument(path, data).blocks {
			for _, e := range b.entries {
				ours.WriteString(b.section + "." + e.key + "=" + e.value.text + "\n")
			}
		}
		const program = `import sys, tomllib
for section, keys in tomllib.load(open(sys.argv[1], "rb")).items():
    for table in keys if isinstance(keys, list) else [keys]:
        for key, value in table.items():
            print(f"{section}.{key}={value}")`
		theirs, err := exec.Command(python, "-c", program, path).Output()
		if err != nil || string(theirs) != ours.String() || len(theirs) == 0 {
			t.Errorf("%s: ours\n%s\ntheirs\n%s\n%v", path, ours.String(), theirs, err)
		}
	}
}
