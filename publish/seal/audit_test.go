package seal

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"thimbled/peak"
	"thimbled/publish"
)

func clone(list []publish.Record) []publish.Record {
	out := slices.Clone(list)
	for i := range out {
		out[i].Line, out[i].Data = bytes.Clone(out[i].Line), bytes.Clone(out[i].Data)
	}
	return out
}

// renumber gives records the numbers that follow one another, as somebody would who
// hashes the chain anew.
func renumber(list []publish.Record) []publish.Record {
	for i := range list {
		list[i].Number = uint64(i + 1)
	}
	return list
}

// restate changes what a record of a checkpoint says.
func restate(t *testing.T, r *publish.Record, change func(map[string]any)) {
	t.Helper()
	var data map[string]any
	if err := json.Unmarshal(r.Data, &data); err != nil {
		t.Fatal(err)
	}
	change(data)
	var err error
	if r.Data, err = json.Marshal(data); err != nil {
		t.Fatal(err)
	}
}

// Whatever is done to a journal by somebody without the key is found, though every
// hash of the chain be right.
func TestAuditFinds(t *testing.T) {
	k := testKey(1)
	sealed := records(t, 9, k) // 3, 6 and 9 are checkpoints
	forged := publish.Record{Event: publish.Event{Type: peak.TypeZeroSet, Data: []byte("{}")}, Line: []byte("forged")}
	for name, s := range map[string]struct {
		change func(list []publish.Record) []publish.Record
		record uint64
		says   string
	}{
		"nothing": {func(l []publish.Record) []publish.Record { return l }, 0, ""},
		"a changed byte": {func(l []publish.Record) []publish.Record {
			l[3].Line[5] ^= 1
			return l
		}, 6, "does not agree with records 3 to 5"},
		"a changed byte in the first part": {func(l []publish.Record) []publish.Record {
			l[0].Line[5] ^= 1
			return l
		}, 3, "does not agree with records 1 to 2"},
		"a dropped line":          {func(l []publish.Record) []publish.Record { return slices.Delete(l, 3, 4) }, 4, "is missing or damaged"},
		"a dropped line, hidden":  {func(l []publish.Record) []publish.Record { return renumber(slices.Delete(l, 3, 4)) }, 5, "had not been written yet"},
		"re-ordered lines":        {func(l []publish.Record) []publish.Record { l[3], l[4] = l[4], l[3]; return renumber(l) }, 6, "does not agree with records 3 to 5"},
		"a forged line":           {func(l []publish.Record) []publish.Record { return renumber(append(l, forged)) }, 10, "no checkpoint seals records 10 to 10"},
		"a forged line inside":    {func(l []publish.Record) []publish.Record { return renumber(slices.Insert(l, 4, forged)) }, 7, "does not agree with records 3 to 5"},
		"a test without its seal": {func(l []publish.Record) []publish.Record { return l[:8] }, 8, "ends a test that no checkpoint seals"},
		"no seal":                 {func(l []publish.Record) []publish.Record { return l[:2] }, 1, "no checkpoint seals anything"},
		"an old seal for a new": {func(l []publish.Record) []publish.Record {
			l[8].Data = l[5].Data
			return l
		}, 7, "no checkpoint seals records 7 to 9"},
		"another size": {func(l []publish.Record) []publish.Record {
			restate(t, &l[8], func(d map[string]any) { d["size"] = 7 })
			return l
		}, 9, "says other than its checkpoint"},
		"another key's name": {func(l []publish.Record) []publish.Record {
			restate(t, &l[8], func(d map[string]any) { d["key"] = testKey(2).Public().Verifier(origin) })
			return l
		}, 9, ""},
		"a checkpoint changed": {func(l []publish.Record) []publish.Record {
			restate(t, &l[8], func(d map[string]any) {
				d["checkpoint"] = strings.Replace(d["checkpoint"].(string), "\n8\n", "\n7\n", 1)
			})
			return l
		}, 9, "its signature is not that of its text"},
		"no record of a checkpoint": {func(l []publish.Record) []publish.Record {
			l[8].Data = []byte(`{"size":"8"}`)
			return l
		}, 9, "is no record of a checkpoint"},
	} {
		t.Run(name, func(t *testing.T) {
			list := s.change(clone(sealed))
			a := audit([]PublicKey{k.Public()}, list)
			if name == "another key's name" {
				s.says = "says other than its checkpoint"
			}
			check(t, a, s.record, s.says)
		})
	}
}

func TestAuditReport(t *testing.T) {
	k := testKey(1)
	a := audit([]PublicKey{k.Public()}, records(t, 9, k))
	r := a.Report()
	if r.Checkpoints != 3 || r.Sealed != 8 || r.Root == "" || len(r.Notes) > 0 || !slices.Equal(r.Keys, []string{k.Public().Verifier(origin)}) {
		t.Errorf("the report is %+v", r)
	}
	// By another key, and by the journal's own.
	other := audit([]PublicKey{testKey(2).Public()}, records(t, 9, k))
	check(t, other, 3, "another key signed it")
	check(t, other, 1, "no checkpoint seals anything")
	own := audit(nil, records(t, 8, k))
	check(t, own, 0, "")
	if r := own.Report(); r.Checkpoints != 2 || len(r.Notes) != 1 || !strings.Contains(r.Notes[0].Text, "records 7 to 8") {
		t.Errorf("without a key the report is %+v", r)
	}
	// Without a key a change is found all the same, unless all is signed anew.
	changed := records(t, 9, k)
	changed[0].Line = []byte("else")
	check(t, audit(nil, changed), 3, "does not agree with records 1 to 2")
	if notes := audit(nil, changed).Report().Notes; len(notes) != 2 || !strings.Contains(notes[0].Text, "2 more") {
		t.Errorf("the notes are %+v", notes)
	}
	if notes := audit(nil, nil).Report().Notes; len(notes) != 0 {
		t.Errorf("an empty journal has the notes %+v", notes)
	}
}

// A new key is told where no key was given, and needs to be given where one was.
func TestAuditOfTwoKeys(t *testing.T) {
	first, second := testKey(1), testKey(2)
	list := records(t, 6, first)
	var e Edge
	for _, r := range list {
		e.Add(r.Line)
	}
	s, err := e.Seal(second, origin)
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(map[string]any{"size": s.Size, "root": s.Root(), "checkpoint": s.Note, "key": s.Key, "why": "daily"})
	if err != nil {
		t.Fatal(err)
	}
	list = append(list, publish.Record{Event: publish.Event{Type: peak.TypeJournalSealed, Data: data}, Number: 7, Line: data})
	check(t, audit([]PublicKey{first.Public()}, list), 7, "another key signed it")
	check(t, audit([]PublicKey{first.Public(), second.Public()}, list), 0, "")
	a := audit(nil, list)
	check(t, a, 0, "")
	if notes := a.Report().Notes; len(notes) != 1 || !strings.Contains(notes[0].Text, "record 7: from here on another key") {
		t.Errorf("the notes are %+v", notes)
	}
}

// What somebody else kept finds out the one who has the key.
func TestCopiesBindTheKeyHolder(t *testing.T) {
	k := testKey(1)
	trusted := []PublicKey{k.Public()}
	honest := records(t, 9, k)
	var kept strings.Builder
	for _, r := range honest {
		if r.Type == peak.TypeJournalSealed {
			text, err := NoteOf(r)
			if err != nil {
				t.Fatal(err)
			}
			kept.WriteString(text + "\n")
		}
	}
	a := audit(trusted, honest)
	a.Copies("kept", kept.String())
	check(t, a, 0, "")
	if a.Report().Copies != 3 {
		t.Errorf("%d copies agree, not 3", a.Report().Copies)
	}
	short := audit(trusted, honest[:6])
	check(t, short, 0, "") // a journal cut short behind a checkpoint looks whole
	short.Copies("kept", kept.String())
	check(t, short, 0, "seals 8 records and the journal has 6: records are missing at its end")

	anew := renumber(slices.Delete(records(t, 12, k), 0, 3)) // written anew, with the key
	var e Edge
	for i := range anew {
		if anew[i].Type == peak.TypeJournalSealed {
			s, err := e.Seal(k, origin)
			if err != nil {
				t.Fatal(err)
			}
			restate(t, &anew[i], func(d map[string]any) { d["size"], d["root"], d["checkpoint"] = s.Size, s.Root(), s.Note })
			anew[i].Line = anew[i].Data
		}
		e.Add(anew[i].Line)
	}
	b := audit(trusted, anew)
	check(t, b, 0, "") // it looks whole, too
	b.Copies("kept", kept.String())
	check(t, b, 0, "does not agree with records 1 to 2: the journal was written anew")

	c := audit([]PublicKey{testKey(2).Public()}, honest)
	c.Copies("kept", kept.String())
	check(t, c, 0, "another key signed it")
	d := audit(trusted, honest)
	d.Copies("kept", "hello\n")
	check(t, d, 0, "holds something else than checkpoints")
	d.Copies("empty", "\n")
	check(t, d, 0, "holds no checkpoint")
	gap := audit(trusted, slices.Delete(clone(honest), 2, 3))
	gap.Copies("kept", kept.String())
	check(t, gap, 0, "since record 3 is missing or damaged")
}

// A proof is checked by the note and tlog packages alone, which know nothing of
// this one.
func TestProofAgainstNoteAndTlog(t *testing.T) {
	k := testKey(1)
	list := records(t, 30, k)
	a := audit([]PublicKey{k.Public()}, list)
	v, err := note.NewVerifier(k.Public().Verifier(origin))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range list[:29] {
		text, err := a.Prove(r.Number)
		if err != nil {
			t.Fatal(err)
		}
		head, signed, _ := strings.Cut(string(text), "\n\n")
		lines := strings.Split(head, "\n")
		if lines[0] != "c2sp.org/tlog-proof@v1" || lines[1] != fmt.Sprintf("index %d", r.Number-1) {
			t.Fatalf("the proof begins with %q", lines[:2])
		}
		var path tlog.RecordProof
		for _, line := range lines[2:] {
			h, err := tlog.ParseHash(line)
			if err != nil {
				t.Fatal(err)
			}
			path = append(path, h)
		}
		n, err := note.Open([]byte(signed), note.VerifierList(v))
		if err != nil {
			t.Fatal(err)
		}
		var size int64
		var name, root string
		if _, err := fmt.Sscanf(n.Text, "%s\n%d\n%s\n", &name, &size, &root); err != nil || name != origin {
			t.Fatalf("%q: %v", n.Text, err)
		}
		th, err := tlog.ParseHash(root)
		if err != nil {
			t.Fatal(err)
		}
		if err := tlog.CheckRecord(path, size, th, int64(r.Number)-1, tlog.RecordHash(r.Line)); err != nil {
			t.Errorf("record %d: %v", r.Number, err)
		}
		if tlog.CheckRecord(path, size, th, int64(r.Number)-1, tlog.RecordHash([]byte("else"))) == nil {
			t.Errorf("the proof of record %d is one of another line", r.Number)
		}
		if size < int64(r.Number) || size > int64(r.Number)+2 {
			t.Errorf("record %d is proved by the checkpoint of %d, not the next one", r.Number, size)
		}
		a.Proof("proof", string(text))
	}
	check(t, a, 0, "")
	if a.Report().Proofs != 29 {
		t.Errorf("%d proofs are sound", a.Report().Proofs)
	}
	for _, number := range []uint64{0, 30, 31, 1 << 63} {
		if _, err := a.Prove(number); !errors.Is(err, ErrNotSealed) {
			t.Errorf("record %d: %v", number, err)
		}
	}
}

func TestProofsThatDoNotLead(t *testing.T) {
	k := testKey(1)
	list := records(t, 9, k)
	trusted := []PublicKey{k.Public()}
	good, err := audit(trusted, list).Prove(5)
	if err != nil {
		t.Fatal(err)
	}
	text := string(good)
	withExtra := strings.Replace(text, "\nindex", "\nextra AAAA\nindex", 1)
	a := audit(trusted, list)
	a.Proof("proof", withExtra)
	check(t, a, 0, "")
	changed := clone(list)
	changed[4].Line = []byte("else")
	anew := records(t, 12, testKey(1))
	anew[7].Line = []byte("else")
	for name, bad := range map[string]struct {
		text   string
		list   []publish.Record
		record uint64
		says   string
	}{
		"nothing":          {"", list, 0, "it is no proof"},
		"another format":   {strings.Replace(text, "@v1", "@v2", 1), list, 0, "it is no proof"},
		"another record":   {strings.Replace(text, "index 4", "index 3", 1), list, 4, "does not lead from the record"},
		"a leading zero":   {strings.Replace(text, "index 4", "index 04", 1), list, 0, "it is no proof"},
		"a huge index":     {strings.Replace(text, "index 4", "index 9223372036854775807", 1), list, 1 << 63, "is not in the journal"},
		"a later record":   {strings.Replace(text, "index 4", "index 8", 1), list, 9, "does not lead from the record"},
		"a path too short": {text[:strings.Index(text, "index 4\n")+8] + text[strings.Index(text, "\n\n")+1:], list, 5, "does not lead from the record"},
		"a changed line":   {text, changed, 5, "does not lead from the record"},
		"a shorter one":    {text, list[:4], 5, "is not in the journal"},
		"a signature":      {strings.Replace(text, "\n5\n", "\n6\n", 1), list, 5, "its checkpoint does not count"},
	} {
		t.Run(name, func(t *testing.T) {
			a := audit(trusted, bad.list)
			a.Proof("proof", bad.text)
			check(t, a, bad.record, bad.says)
			if a.Report().Proofs > 0 {
				t.Error("it counts as sound")
			}
		})
	}
}

func FuzzProof(f *testing.F) {
	k := testKey(1)
	var e Edge
	var whole tree
	for n := range 5 {
		line := fmt.Appendf(nil, "line %d", n)
		e.Add(line)
		whole.add(line)
	}
	s, err := e.Seal(k, origin)
	if err != nil {
		f.Fatal(err)
	}
	path, err := whole.prove(5, 3)
	if err != nil {
		f.Fatal(err)
	}
	good := proof{index: 2, path: path, signed: s.Note}
	f.Add(string(good.format()))
	f.Add(proofHeader + "\nextra AAAA\nindex 0\n\n")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := parseProof(text)
		if err != nil {
			return
		}
		if !strings.HasPrefix(text, proofHeader+"\nextra ") && string(p.format()) != text {
			t.Errorf("%q comes back as %q", text, p.format())
		}
		if _, err := p.check(whole.leaf(3), []PublicKey{k.Public()}); err == nil && (p.index != 2 || !slices.Equal(p.path, path)) {
			t.Errorf("%q leads from record 3", text)
		}
	})
}

func FuzzSealedRecord(f *testing.F) {
	k := testKey(1)
	var e Edge
	e.Add([]byte("a line"))
	s, err := e.Seal(k, origin)
	if err != nil {
		f.Fatal(err)
	}
	good, err := json.Marshal(map[string]any{"size": s.Size, "root": s.Root(), "checkpoint": s.Note, "key": s.Key})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(`{"size":-1,"key":"a+00000000+AQ=="}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, trusted := range [][]PublicKey{nil, {k.Public()}} {
			r := publish.Record{Event: publish.Event{Type: peak.TypeJournalSealed, Data: data}, Number: 2, Line: data}
			a := audit(trusted, []publish.Record{{Number: 1, Line: []byte("a line")}, r})
			if trusted != nil && a.Report().Checkpoints > 0 && !strings.Contains(string(data), "thimbled") && !strings.Contains(string(data), `\u`) {
				t.Errorf("%q counts", data)
			}
		}
	})
}

func TestCertificate(t *testing.T) {
	k := testKey(1)
	content := []byte("a certificate")
	for _, trusted := range [][]PublicKey{nil, {k.Public()}} {
		a := audit(trusted, records(t, 3, k))
		a.Certificate("c", content, k.SignFile(content))
		check(t, a, 0, "")
		if a.Report().Certificates != 1 {
			t.Errorf("%d certificates count", a.Report().Certificates)
		}
		a.Certificate("c", []byte("altered"), k.SignFile(content))
		check(t, a, 0, "its signature does not count: it is not that of this content")
		a.Certificate("c", content, testKey(2).SignFile(content))
		check(t, a, 0, "another key signed it")
		a.Unreadable("d", errors.New("gone"))
		check(t, a, 0, "cannot be read: gone")
	}
}

func BenchmarkAudit(b *testing.B) {
	line := make([]byte, 700)
	b.ReportAllocs()
	a := NewAuditor(nil)
	number := uint64(0)
	for b.Loop() {
		number++
		a.Record("a", publish.Record{Number: number, Line: line})
	}
}
