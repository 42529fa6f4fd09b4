package seal

import (
	"encoding/base64"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// A checkpoint opens with the note package's own code, says what the rule for
// checkpoints wants, and follows from the one before by the tlog package's own
// check of a proof between trees.
func TestCheckpointsAgainstNoteAndTlog(t *testing.T) {
	k := testKey(1)
	v, err := note.NewVerifier(k.Public().Verifier(origin))
	if err != nil {
		t.Fatal(err)
	}
	var e Edge
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(indexes []int64) (out []tlog.Hash, err error) {
		for _, i := range indexes {
			out = append(out, stored[i])
		}
		return out, nil
	})
	var before Checkpoint
	for n := range int64(70) {
		line := fmt.Appendf(nil, "line %d", n)
		e.Add(line)
		added, err := tlog.StoredHashes(n, line, reader)
		if err != nil {
			t.Fatal(err)
		}
		stored = append(stored, added...)
		s, err := e.Seal(k, origin)
		if err != nil {
			t.Fatal(err)
		}
		opened, err := note.Open([]byte(s.Note), note.VerifierList(v))
		if err != nil {
			t.Fatal(err)
		}
		root, err := tlog.TreeHash(n+1, reader)
		if err != nil {
			t.Fatal(err)
		}
		if want := fmt.Sprintf("%s\n%d\n%s\n", origin, n+1, root); opened.Text != want || s.Root() != root.String() || s.Key != k.Public().Verifier(origin) {
			t.Fatalf("checkpoint %d is %q, want %q", n, opened.Text, want)
		}
		if n > 0 {
			p, err := tlog.ProveTree(n+1, before.Size, reader)
			if err != nil {
				t.Fatal(err)
			}
			if err := tlog.CheckTree(p, n+1, s.root, before.Size, before.root); err != nil {
				t.Errorf("checkpoint %d does not follow: %v", n, err)
			}
		}
		before = s.Checkpoint
	}
}

// openssl alone verifies a checkpoint: the key in SubjectPublicKeyInfo (RFC 8410),
// the signature behind the four bytes of the key's hash.
func TestCheckpointAgainstOpenSSL(t *testing.T) {
	need(t, "openssl", "openssl")
	k := testKey(1)
	var e Edge
	e.Add([]byte("a line"))
	s, err := e.Seal(k, origin)
	if err != nil {
		t.Fatal(err)
	}
	text, rest, _ := strings.Cut(s.Note, "\n\n")
	raw, err := base64.StdEncoding.DecodeString(strings.TrimSpace(strings.TrimPrefix(rest, "— "+origin+" ")))
	if err != nil || len(raw) != 4+64 {
		t.Fatalf("the signature line is %q: %v", rest, err)
	}
	der := append([]byte{0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00}, k.Public().key...)
	verify := func(text string) error {
		out, err := run(t, nil, "openssl", "pkeyutl", "-verify", "-pubin", "-keyform", "DER", "-inkey", write(t, "key", der, 0o600), "-rawin",
			"-in", write(t, "text", []byte(text), 0o600), "-sigfile", write(t, "sig", raw[4:], 0o600))
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	if err := verify(text + "\n"); err != nil {
		t.Error(err)
	}
	if verify(strings.Replace(text, "\n1\n", "\n2\n", 1)+"\n") == nil {
		t.Error("openssl accepts another text")
	}
}

func TestOpenRefuses(t *testing.T) {
	k := testKey(1)
	sign := func(text string) string {
		v := k.Public().verifier(origin)
		b, err := note.Sign(&note.Note{Text: text}, noteSigner{v, k})
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	root := tlog.RecordHash(nil).String()
	good := sign(origin + "\n7\n" + root + "\n")
	if c, err := open(good, []PublicKey{testKey(2).Public(), k.Public(), k.Public()}); err != nil || c.Size != 7 || c.Origin != origin {
		t.Errorf("a good one gives %+v, %v", c, err)
	}
	if _, err := open(sign(origin+"\n7\n"+root+"\nan extension\n"), []PublicKey{k.Public()}); err != nil {
		t.Errorf("one with an extension gives %v", err)
	}
	bound, err := ParsePublicKey(k.Public().Verifier("harbour.example/other"))
	if err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string]struct {
		note string
		keys []PublicKey
		want error
	}{
		"another key":       {good, []PublicKey{testKey(2).Public()}, errOtherKey},
		"no key":            {good, nil, errOtherKey},
		"another's key":     {good, []PublicKey{bound}, errOtherKey},
		"another size":      {strings.Replace(good, "\n7\n", "\n8\n", 1), []PublicKey{k.Public()}, errSignature},
		"a signature less":  {good[:strings.Index(good, "\n\n")+2], []PublicKey{k.Public()}, errNoCheckpoint},
		"a leading zero":    {sign(origin + "\n07\n" + root + "\n"), []PublicKey{k.Public()}, errNoCheckpoint},
		"below zero":        {sign(origin + "\n-7\n" + root + "\n"), []PublicKey{k.Public()}, errNoCheckpoint},
		"no root":           {sign(origin + "\n7\n"), []PublicKey{k.Public()}, errNoCheckpoint},
		"a short root":      {sign(origin + "\n7\nAAAA\n"), []PublicKey{k.Public()}, errNoCheckpoint},
		"empty":             {"", []PublicKey{k.Public()}, errNoCheckpoint},
		"a second text":     {strings.Replace(good, "\n\n", "\n\nmore\n\n", 1), []PublicKey{k.Public()}, errSignature},
		"no origin":         {sign("\n7\n" + root + "\n"), []PublicKey{k.Public()}, errNoCheckpoint},
		"the origin's tail": {sign(origin + " x\n7\n" + root + "\n"), []PublicKey{k.Public()}, errNoCheckpoint},
	} {
		if c, err := open(bad.note, bad.keys); err != bad.want {
			t.Errorf("%s: %+v, %v, want %v", name, c, err, bad.want)
		}
	}
	if _, err := (Checkpoint{Origin: "a b"}).sign(k); err == nil {
		t.Error("a checkpoint of no origin is signed")
	}
}

func FuzzOpen(f *testing.F) {
	var e Edge
	e.Add([]byte("a line"))
	s, err := e.Seal(testKey(1), origin)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(s.Note)
	f.Add("a\n1\n\n\n— a AAAA\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := open(text, []PublicKey{testKey(1).Public()})
		if err == nil && (c != s.Checkpoint || !strings.HasPrefix(text, s.text())) {
			t.Errorf("%q opens as %+v", text, c)
		}
	})
}

func TestCollected(t *testing.T) {
	k := testKey(1)
	var e Edge
	var notes []string
	for range 3 {
		e.Add([]byte("a line"))
		s, err := e.Seal(k, origin)
		if err != nil {
			t.Fatal(err)
		}
		notes = append(notes, s.Note)
	}
	json := fmt.Sprintf(`{"size":2,"checkpoint":%q}`, notes[1]) + "\n"
	for name, text := range map[string]string{
		"blank lines between": strings.Join(notes, "\n"),
		"nothing between":     strings.Join(notes, ""),
		"a line of JSON":      notes[0] + json + notes[2],
		"no last line feed":   strings.TrimSuffix(strings.Join(notes, "\n\n"), "\n"),
	} {
		got, err := parseCollected(text)
		if err != nil || len(got) != 3 || got[0].signed != notes[0] || got[1].signed != notes[1] || got[2].signed != notes[2] {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	for _, bad := range []string{"hello\n", "{}\n", "{\n", notes[0] + "more", origin + "\n1\n"} {
		if got, err := parseCollected(bad); err == nil {
			t.Errorf("%q gives %+v", bad, got)
		}
	}
}

func FuzzCollected(f *testing.F) {
	f.Add("a\n1\nAAAA\n\n— a AAAA\n\n{\"checkpoint\":\"x\"}\n")
	f.Add("\n\r\n— ")
	f.Fuzz(func(t *testing.T, text string) {
		list, err := parseCollected(text)
		for _, c := range list {
			if c.signed == "" || c.line < 1 || err != nil {
				t.Errorf("%q gives %+v, %v", text, list, err)
			}
		}
	})
}

// The signature that ssh-keygen -Y verify accepts, and the other way round.
func TestSignaturesAgainstOpenSSH(t *testing.T) {
	need(t, "ssh-keygen", "openssh-client")
	dir := t.TempDir()
	path := filepath.Join(dir, "key")
	if err := MakeKey(path, "dock-3"); err != nil {
		t.Fatal(err)
	}
	k, err := ReadKey(path)
	if err != nil {
		t.Fatal(err)
	}
	content := []byte("a certificate\n")
	signers := write(t, "signers", []byte("bench "+k.Public().SSH()+"\n"), 0o600)
	verify := func(content, signature []byte, namespace string) error {
		out, err := run(t, content, "ssh-keygen", "-Y", "verify", "-f", signers, "-I", "bench", "-n", namespace, "-s", write(t, "sig", signature, 0o600))
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	ours := k.SignFile(content)
	if err := verify(content, ours, Namespace); err != nil {
		t.Error(err)
	}
	if verify([]byte("another\n"), ours, Namespace) == nil || verify(content, ours, "file") == nil {
		t.Error("ssh-keygen accepts another content or purpose")
	}
	for _, hash := range []string{"sha512", "sha256"} {
		for namespace, want := range map[string]error{Namespace: nil, "file": errNamespace} {
			file := write(t, "file", content, 0o600)
			if out, err := run(t, nil, "ssh-keygen", "-Y", "sign", "-O", "hashalg="+hash, "-n", namespace, "-f", path, file); err != nil {
				t.Fatal(out)
			}
			theirs, err := os.ReadFile(file + ".sig")
			if err != nil {
				t.Fatal(err)
			}
			if err := VerifyFile(content, theirs, []PublicKey{testKey(1).Public(), k.Public()}); err != want {
				t.Errorf("%s for %s: %v, want %v", hash, namespace, err, want)
			}
			if VerifyFile([]byte("another\n"), theirs, []PublicKey{k.Public()}) == nil {
				t.Error("a signature counts for another content")
			}
		}
	}
}

func TestVerifyFileRefuses(t *testing.T) {
	k, content := testKey(1), []byte("a certificate\n")
	keys := []PublicKey{k.Public()}
	good := k.SignFile(content)
	if err := VerifyFile(content, good, keys); err != nil {
		t.Fatal(err)
	}
	if err := VerifyFile(content, good, []PublicKey{testKey(2).Public()}); err != errOtherKey {
		t.Errorf("another key gives %v", err)
	}
	if err := VerifyFile([]byte("else"), good, keys); err != errFile {
		t.Errorf("another content gives %v", err)
	}
	for _, bad := range []string{"", "hello", "x" + string(good), string(good) + "more", strings.ReplaceAll(string(good), "SSH SIGNATURE", "SSH SIGNATURES")} {
		if err := VerifyFile(content, []byte(bad), keys); err != errNoSSHSIG {
			t.Errorf("%q gives %v", bad, err)
		}
	}
	// Each byte counts.
	block := string(good)
	from, to := strings.Index(block, "\n")+1, strings.LastIndex(block, "\n-----END")
	for i := from; i < to; i++ {
		changed := []byte(block)
		if changed[i] == '\n' || changed[i] == '=' || changed[i+1] == '=' { // the last letter has bits of no byte
			continue
		}
		changed[i] = map[bool]byte{true: 'B', false: 'A'}[changed[i] == 'A']
		if VerifyFile(content, changed, keys) == nil {
			t.Errorf("byte %d does not count", i)
		}
	}
}

func FuzzVerifyFile(f *testing.F) {
	k := testKey(1)
	content := []byte("a certificate\n")
	good := k.SignFile(content)
	f.Add(good)
	f.Add([]byte("-----BEGIN SSH SIGNATURE-----\nU1NIU0lH\n-----END SSH SIGNATURE-----\n"))
	want, err := parseSSHSIG(good)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, armored []byte) {
		if VerifyFile(content, armored, []PublicKey{k.Public()}) != nil {
			return
		}
		if got, err := parseSSHSIG(armored); err != nil || got != want {
			t.Errorf("%q counts", armored)
		}
	})
}
