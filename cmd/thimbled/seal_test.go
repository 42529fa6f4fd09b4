package main_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"go/doc/comment"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	main "thimbled/cmd/thimbled"
)

// sealedBench is a sealed journal as a daemon writes it, with certificates and
// a second party's copy of the checkpoints outside its folder.
type sealedBench struct {
	dir, key, public string // the journal's folder, the key's files
	certificate      string
	kept             string
}

// sealed makes a journal of two tests by the real writer and the real commands.
func sealed(t *testing.T) sealedBench {
	t.Helper()
	return newSealedBench(t, false)
}

// newSealedBench is sealed; thinned says that the first test's trace was removed.
func newSealedBench(t *testing.T, thinned bool) sealedBench {
	t.Helper()
	outside := t.TempDir()
	b := sealedBench{
		dir: filepath.Join(outside, "journal"), key: filepath.Join(outside, "seal-key"),
		certificate: filepath.Join(outside, "j-1.html"), kept: filepath.Join(outside, "kept"),
	}
	b.public = b.key + ".pub"
	main.WriteSealedJournal(t, b.dir, b.key, thinned)
	must(t, "certificate", b.dir, "j-1", "-o", b.certificate, "--sign", "--key", b.key)
	replace(t, b.kept, []byte(must(t, "checkpoints", b.dir)))
	return b
}

// must runs the program and returns what it says; it must succeed.
func must(t *testing.T, args ...string) string {
	t.Helper()
	status, out, errs := call(t, args...)
	if status != 0 {
		t.Fatalf("thimbled %s ends with %d: %s%s", strings.Join(args, " "), status, out, errs)
	}
	return out
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// segments are the files of the journal's lines.
func (b sealedBench) segments(t *testing.T) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(b.dir, "*.jsonl"))
	if err != nil || len(names) < 1 {
		t.Fatalf("segments %q: %v", names, err)
	}
	return names
}

// lines returns the journal's lines.
func (b sealedBench) lines(t *testing.T) []string {
	t.Helper()
	var out []string
	for _, name := range b.segments(t) {
		out = append(out, strings.Split(strings.TrimSuffix(string(read(t, name)), "\n"), "\n")...)
	}
	return out
}

// put writes lines as the only segment.
func (b sealedBench) put(t *testing.T, lines []string) {
	t.Helper()
	for _, name := range b.segments(t)[1:] {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	replace(t, b.segments(t)[0], []byte(strings.Join(lines, "\n")+"\n"))
}

// chained hashes lines anew, as somebody does who knows how but has no key:
// the number of each and its hashes are right afterwards.
func chained(t *testing.T, lines []string) []string {
	t.Helper()
	before := strings.Repeat("0", 64)
	out := make([]string, len(lines))
	for i, line := range lines {
		head, rest, ok := strings.Cut(line, `,"sequence":"`)
		id, after, ok2 := strings.Cut(head, `","source"`)
		recorded, _, ok3 := strings.Cut(rest[12:], `","previoushash":"`)
		if !ok || !ok2 || !ok3 {
			t.Fatalf("line %d is no line: %s", i+1, line)
		}
		id = id[:strings.LastIndex(id, "-")+1] + fmt.Sprint(i+1)
		body := fmt.Sprintf(`%s","source"%s,"sequence":"%012d%s","previoushash":"%s"`, id, after, i+1, recorded, before)
		out[i] = fmt.Sprintf(`%s,"linehash":"%x"}`, body, sha256.Sum256([]byte(body+"}")))
		before = fmt.Sprintf("%x", sha256.Sum256([]byte(out[i])))
	}
	return out
}

// find is the number of the first line that has a text in it, from 0.
func find(t *testing.T, lines []string, text string) int {
	t.Helper()
	i := slices.IndexFunc(lines, func(line string) bool { return strings.Contains(line, text) })
	if i < 0 {
		t.Fatalf("no line has %s", text)
	}
	return i
}

// forgery is something done to the evidence, and where the audit must see it.
type forgery struct {
	name  string
	do    func(t *testing.T, b sealedBench)
	place string
}

// edit is a forgery that changes the lines.
func edit(change func(t *testing.T, lines []string) []string) func(*testing.T, sealedBench) {
	return func(t *testing.T, b sealedBench) { b.put(t, change(t, b.lines(t))) }
}

// changedPeak changes a figure of the first pull.
func changedPeak(t *testing.T, lines []string) []string {
	i := find(t, lines, `"peak_newtons":1`)
	lines[i] = strings.Replace(lines[i], `"peak_newtons":1`, `"peak_newtons":2`, 1)
	return lines
}

var forgeries = []forgery{
	{"changed byte", edit(changedPeak), "does not agree with its line hash"},
	{"changed byte with a right chain", edit(func(t *testing.T, l []string) []string { return chained(t, changedPeak(t, l)) }), "does not agree with records"},
	{"dropped line", edit(func(t *testing.T, l []string) []string { return slices.Delete(l, 3, 4) }), "record 5"},
	{"dropped line with a right chain", edit(func(t *testing.T, l []string) []string { return chained(t, slices.Delete(l, 3, 4)) }), "damaged"},
	{"re-ordered lines", edit(func(t *testing.T, l []string) []string { l[3], l[4] = l[4], l[3]; return l }), "record 5"},
	{"re-ordered lines with a right chain", edit(func(t *testing.T, l []string) []string {
		l[0], l[1] = l[1], l[0]
		return chained(t, l)
	}), "does not agree with records 1 to"},
	{"forged line with a right chain and no signature", edit(func(t *testing.T, l []string) []string {
		return chained(t, append(l, l[find(t, l, "thimbled.item.inspected")]))
	}), "no checkpoint seals records"},
	{"no checkpoint at the end", edit(func(_ *testing.T, l []string) []string { return l[:len(l)-1] }), "no checkpoint seals records"},
	{"no checkpoint at all", edit(func(t *testing.T, l []string) []string {
		return chained(t, slices.DeleteFunc(l, func(s string) bool { return strings.Contains(s, "thimbled.journal.sealed") }))
	}), "no checkpoint seals anything"},
	{"swapped traces", func(t *testing.T, b sealedBench) {
		a, c := traceFiles(t, b)
		one, two := read(t, a), read(t, c)
		replace(t, a, two)
		replace(t, c, one)
	}, "does not agree with its SHA-256"},
	{"swapped traces with a right chain", func(t *testing.T, b sealedBench) {
		a, c := traceFiles(t, b)
		one, two := read(t, a), read(t, c)
		replace(t, a, two)
		replace(t, c, one)
		was, is := fmt.Sprintf("%x", sha256.Sum256(one)), fmt.Sprintf("%x", sha256.Sum256(two))
		lines := b.lines(t)
		for i := range lines {
			lines[i] = strings.NewReplacer(was, is, is, was).Replace(lines[i])
		}
		b.put(t, chained(t, lines))
	}, "does not agree with records"},
	{"altered trace with a right chain", func(t *testing.T, b sealedBench) {
		a, _ := traceFiles(t, b)
		text := read(t, a)
		was := fmt.Sprintf("%x", sha256.Sum256(text))
		text = bytes.Replace(text, []byte(",103000,"), []byte(",113000,"), 1)
		replace(t, a, text)
		lines := b.lines(t)
		for i := range lines {
			lines[i] = strings.ReplaceAll(lines[i], was, fmt.Sprintf("%x", sha256.Sum256(text)))
		}
		b.put(t, chained(t, lines))
	}, "does not agree with records"},
	{"altered certificate", func(t *testing.T, b sealedBench) {
		replace(t, b.certificate, bytes.Replace(read(t, b.certificate), []byte("HL-0042"), []byte("HL-0043"), 1))
	}, "its signature does not count"},
	{"certificate without a signature", func(t *testing.T, b sealedBench) {
		if err := os.Remove(b.certificate + ".sig"); err != nil {
			t.Fatal(err)
		}
	}, "cannot be read"},
}

func traceFiles(t *testing.T, b sealedBench) (one, two string) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(b.dir, "traces", "*.csv"))
	if err != nil || len(names) != 2 {
		t.Fatalf("traces %q: %v", names, err)
	}
	return names[0], names[1]
}

// Each forgery is found by the command, and by the script of stock tools that
// stands in the description of the room.
func TestForgeriesAreFound(t *testing.T) {
	script := stockScript(t)
	for _, f := range slices.Concat([]forgery{{"none", func(*testing.T, sealedBench) {}, ""}}, forgeries) {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			b := sealed(t)
			before := strings.Join(b.lines(t), "\n") + string(read(t, b.certificate))
			f.do(t, b)
			if f.place != "" && f.name != "swapped traces" && f.name != "certificate without a signature" &&
				before == strings.Join(b.lines(t), "\n")+string(read(t, b.certificate)) {
				t.Fatal("nothing was forged")
			}
			status, out, errs := call(t, "audit", b.dir, "--key", b.public, "--certificate", b.certificate)
			if (status == 0) != (f.place == "") || status > 1 || !strings.Contains(out, f.place) {
				t.Errorf("the audit ends with %d and does not say %q: %s%s", status, f.place, out, errs)
			}
			if script == "" {
				t.Skip("the script needs jq xxd openssl openssh-client (Debian: apt-get install …)")
			}
			said, err := runScript(b, script)
			if (err == nil) != (f.place == "") {
				t.Errorf("the script ends with %v: %s", err, said)
			}
		})
	}
}

// stockScript is the script of the room's description, as it stands there; empty
// if a program that it needs is missing.
func stockScript(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"sh", "awk", "sed", "sha256sum", "jq", "xxd", "openssl", "ssh-keygen"} {
		if _, err := exec.LookPath(name); err != nil {
			return ""
		}
	}
	file, err := parser.ParseFile(token.NewFileSet(), "../../publish/seal/doc.go", nil, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	var p comment.Parser
	var code []string
	for _, block := range p.Parse(file.Doc.Text()).Content {
		if c, ok := block.(*comment.Code); ok {
			code = append(code, c.Text)
		}
	}
	script := code[len(code)-1]
	if !strings.Contains(script, "ssh-keygen -Y verify") {
		t.Fatal("the description has no script")
	}
	return script
}

func runScript(b sealedBench, script string, env ...string) (string, error) {
	c := exec.Command("sh", "-c", script, "check.sh", b.public, b.certificate)
	c.Dir, c.Env = b.dir, append(os.Environ(), env...)
	out, err := c.CombinedOutput()
	return string(out), err
}

// A trace that is on record as removed is missed neither by the command nor by the
// script; that of the other test is.
func TestRemovedTraceIsNotMissed(t *testing.T) {
	script := stockScript(t)
	if script == "" {
		t.Skip("the script needs jq xxd openssl openssh-client (Debian: apt-get install …)")
	}
	b := newSealedBench(t, true)
	must(t, "audit", b.dir, "--key", b.public)
	if said, err := runScript(b, script); err != nil {
		t.Errorf("the script ends with %v: %s", err, said)
	}
	if err := os.RemoveAll(filepath.Join(b.dir, "traces")); err != nil {
		t.Fatal(err)
	}
	if status, out, _ := call(t, "audit", b.dir, "--key", b.public); status != 1 {
		t.Errorf("without any trace the audit ends with %d: %s", status, out)
	}
	if said, err := runScript(b, script); err == nil || !strings.Contains(said, "a trace") {
		t.Errorf("without any trace the script ends with %v: %s", err, said)
	}
}

// A second party's copy finds out who cut the journal short behind a checkpoint,
// which leaves no other mark.
func TestKeptCheckpoints(t *testing.T) {
	b := sealed(t)
	must(t, "audit", b.dir, "--key", b.public, "--checkpoints", b.kept)
	lines := b.lines(t)
	first := find(t, lines, "thimbled.journal.sealed")
	b.put(t, lines[:first+1])
	if err := os.RemoveAll(filepath.Join(b.dir, "traces")); err != nil {
		t.Fatal(err)
	}
	must(t, "audit", b.dir, "--key", b.public)
	status, out, _ := call(t, "audit", b.dir, "--key", b.public, "--checkpoints", b.kept)
	if status != 1 || !strings.Contains(out, "records are missing at its end") {
		t.Errorf("the audit ends with %d: %s", status, out)
	}
	script := stockScript(t)
	if script == "" {
		t.Skip("the script needs jq xxd openssl openssh-client (Debian: apt-get install …)")
	}
	if said, err := runScript(b, script); err != nil {
		t.Errorf("without a copy the script ends with %v: %s", err, said)
	}
	notes := string(read(t, b.kept))
	last := filepath.Join(t.TempDir(), "last")
	replace(t, last, []byte(notes[strings.LastIndex(notes, "\n\nthimbled/")+2:]))
	if said, err := runScript(b, script, "KEPT="+last); err == nil || !strings.Contains(said, "records are missing") {
		t.Errorf("with a copy the script ends with %v: %s", err, said)
	}
}

// Evidence that an earlier version sealed stays sound: by the command, and by the
// stock tools.
func TestOldEvidenceIsSound(t *testing.T) {
	const old = "../../testdata/seal/"
	b := sealedBench{dir: old + "journal", public: old + "seal-key.pub", certificate: old + "j-1.html", kept: old + "checkpoints"}
	out := must(t, "audit", b.dir, "--key", b.public, "--certificate", b.certificate, "--proof", old+"j-1.tlog-proof", "--checkpoints", b.kept)
	for _, want := range []string{"5 checkpoints seal records 1 to ", "5 checkpoints that were kept", "1 proofs", "1 certificates"} {
		if !strings.Contains(out, want) {
			t.Errorf("the audit does not say %q: %s", want, out)
		}
	}
	script := stockScript(t)
	if script == "" {
		t.Skip("the script needs jq xxd openssl openssh-client (Debian: apt-get install …)")
	}
	for _, path := range []*string{&b.dir, &b.public, &b.certificate} {
		*path, _ = filepath.Abs(*path)
	}
	if said, err := runScript(b, script); err != nil {
		t.Errorf("the script ends with %v: %s", err, said)
	}
}

func TestProve(t *testing.T) {
	b := sealed(t)
	proof := filepath.Join(t.TempDir(), "j-1.tlog-proof")
	must(t, "prove", b.dir, "j-1", "-o", proof, "--key", b.public)
	ended := find(t, b.lines(t), "thimbled.test.ended")
	if text := string(read(t, proof)); !strings.HasPrefix(text, fmt.Sprintf("c2sp.org/tlog-proof@v1\nindex %d\n", ended)) {
		t.Errorf("the proof is %s", text)
	}
	if text := must(t, "prove", b.dir, fmt.Sprint(ended+1)); text != string(read(t, proof)) {
		t.Errorf("the same record by its number is proved by %s", text)
	}
	if out := must(t, "audit", b.dir, "--proof", proof, "--key", b.public); !strings.Contains(out, "1 proofs lead from its records") {
		t.Error(out)
	}
	for _, bad := range [][]string{{b.dir, "j-9"}, {b.dir, "999"}, {b.dir, "0"}} {
		if status, out, errs := call(t, append([]string{"prove"}, bad...)...); status != 1 || out != "" || !strings.HasPrefix(errs, "no: ") {
			t.Errorf("%v ends with %d: %s%s", bad, status, out, errs)
		}
	}
	other := sealed(t)
	if status, out, _ := call(t, "audit", other.dir, "--proof", proof); status != 1 || !strings.Contains(out, proof) {
		t.Errorf("another journal's proof: %d, %s", status, out)
	}
}

func TestAuditAnswersInJSON(t *testing.T) {
	b := sealed(t)
	var answer struct {
		Sound        bool     `json:"sound"`
		Records      int64    `json:"records"`
		Checkpoints  int      `json:"checkpoints"`
		Sealed       int64    `json:"sealed_records"`
		Keys         []string `json:"keys"`
		KeyGiven     bool     `json:"key_given"`
		Copies       int      `json:"copies"`
		Certificates int      `json:"certificates"`
		Problems     []struct {
			Record uint64 `json:"record"`
		} `json:"problems"`
	}
	ask := func(want int, args ...string) {
		t.Helper()
		status, out, errs := call(t, append([]string{"audit", b.dir, "--json"}, args...)...)
		if err := json.Unmarshal([]byte(out), &answer); err != nil || status != want {
			t.Fatalf("status %d, %v: %s%s", status, err, out, errs)
		}
	}
	ask(0, "--certificate", b.certificate, "--checkpoints", b.kept)
	if !answer.Sound || answer.KeyGiven || answer.Checkpoints != 5 || answer.Sealed != answer.Records-1 || answer.Copies != 5 || answer.Certificates != 1 || len(answer.Keys) != 1 {
		t.Errorf("the answer is %+v", answer)
	}
	ask(0, "--key", answer.Keys[0])
	ask(0, "--key", strings.TrimSpace(string(read(t, b.public))))
	if !answer.KeyGiven {
		t.Error("the key does not count as given")
	}
	ask(1, "--key", sealed(t).public)
	if answer.Sound || len(answer.Problems) == 0 || answer.Problems[0].Record == 0 {
		t.Errorf("with another key the answer is %+v", answer)
	}
	for _, bad := range []string{"hello", b.certificate} {
		if status, _, errs := call(t, "audit", b.dir, "--key", bad); status != 2 || !strings.Contains(errs, "read public key") {
			t.Errorf("the key %s: %d, %s", bad, status, errs)
		}
	}
}

func TestSignNeedsWhatItNeeds(t *testing.T) {
	b := sealed(t)
	file := filepath.Join(t.TempDir(), "c.html")
	for _, bad := range []struct {
		args []string
		want int
		says string
	}{
		{[]string{"--sign", "--key", b.key}, 2, "--sign needs -o"},
		{[]string{"-o", file, "--key", b.key}, 2, "--key has no meaning without --sign"},
		{[]string{"-o", file, "--sign"}, 2, "--sign needs a key"},
		{[]string{"-o", file, "--sign", "--key", b.public}, 74, "others than its owner"},
		{[]string{"-o", file, "--sign", "--key", b.key + "-not"}, 74, "no such file"},
	} {
		status, _, errs := call(t, append([]string{"certificate", b.dir, "j-1"}, bad.args...)...)
		if status != bad.want || !strings.Contains(errs, bad.says) {
			t.Errorf("%v ends with %d: %s", bad.args, status, errs)
		}
		if _, err := os.Stat(file); err == nil {
			t.Errorf("%v wrote a certificate", bad.args)
		}
	}
}

// The demo's daemon seals what it records, and its last record seals all before.
func TestDemoIsSealed(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	must(t, "demo", "--fast", "20", "--for", "2s", "--dir", dir)
	out := must(t, "audit", dir, "--key", filepath.Join(dir, "bench", "seal-key.pub"))
	all := journalOf(t, dir)
	last := all[len(all)-1]
	if last.Type != "thimbled.journal.sealed" || !strings.Contains(out, fmt.Sprintf("seal records 1 to %d,", len(all)-1)) {
		t.Errorf("the last record is %s; %s", last.line, out)
	}
	must(t, "demo", "--fast", "20", "--for", "2s", "--dir", dir) // goes on with the same key
	must(t, "audit", dir, "--key", filepath.Join(dir, "bench", "seal-key.pub"))
	again := journalOf(t, dir)[len(all)]
	if again.Type != "thimbled.daemon.started" || !strings.Contains(again.line, `"clean_before":true`) {
		t.Errorf("the daemon goes on with %s", again.line)
	}
}
