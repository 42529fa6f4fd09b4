package journal

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"testing/synctest"

	"thimbled/peak"
	"thimbled/publish"
)

// digestTally is the SHA-256 of the lines so far, each hashed behind the hash of
// those before.
type digestTally struct{ sum [sha256.Size]byte }

func (d *digestTally) Add(line []byte)              { d.sum = sha256.Sum256(append(d.sum[:], line...)) }
func (d *digestTally) MarshalText() ([]byte, error) { return fmt.Appendf(nil, "%x", d.sum), nil }
func (d *digestTally) UnmarshalText(b []byte) error {
	var sum []byte
	_, err := fmt.Sscanf(string(b), "%x", &sum)
	copy(d.sum[:], sum)
	return err
}

// long is a journal of several segments, the pulls of a few mornings; the options
// are for opening it again.
func long(t testing.TB, fsys FS) Options {
	t.Helper()
	o := options(fsys)
	o.SegmentBytes = 2500
	o.Tally = func() Tally { return &digestTally{} }
	w, _ := open(t, o)
	for i := range 12 {
		pull := int64(i + 1)
		add(t, w, encode(peak.ParametersChanged{By: "the start", Count: pull}, nil))
		add(t, w, encode(peak.ZeroSet{New: peak.Force(i * 1000)}, nil))
		add(t, w, encode(peak.PullStarted{Pull: pull, Zero: peak.Force(i * 1000)}, nil))
		add(t, w, encode(peak.PullEnded{Pull: pull, Zero: peak.Force(i * 1000)}, nil))
		add(t, w, encode(peak.TareSet{New: peak.Force(i * 500)}, nil))
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return o
}

// checked opens a journal and checks it until nothing is left to check.
func checked(t testing.TB, o Options) (Opened, error) {
	t.Helper()
	w, opened := open(t, o)
	defer w.Close()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- w.Check(ctx) }()
	synctest.Wait()
	cancel()
	return opened, <-done
}

// A start behind a note finds everything as it stood, as a start that reads all
// lines does.
func TestNoteSaysWhatTheLinesSay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fsys := newMemFS()
		o := long(t, fsys)
		whole, err := checked(t, o)
		if err != nil || whole.Noted != 0 {
			t.Fatal(whole.Noted, err)
		}
		noted, err := checked(t, o)
		if err != nil || noted.Noted == 0 {
			t.Fatal(noted.Noted, err)
		}
		noted.Noted = 0
		if !reflect.DeepEqual(whole, noted) {
			t.Errorf("all lines say\n%+v\nbehind the note it is\n%+v", whole, noted)
		}
		if len(noted.Parameters) != 12 || noted.LastPull != 12 {
			t.Errorf("%+v", noted)
		}
	})
}

// While a daemon runs the note follows it.
func TestNoteFollows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fsys := newMemFS()
		o := long(t, fsys)
		w, _ := open(t, o)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- w.Check(ctx) }()
		for i := range 40 {
			add(t, w, event(i, 200))
		}
		synctest.Wait()
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		s, err := parseNote(fsys.bytesOf("/j/"+noteName), o.Tally)
		if err != nil || s.count != len(w.segments)-1 || s.chain.last+1 != w.segments[s.count] {
			t.Errorf("%d of %d segments on note, %v", s.count, len(w.segments), err)
		}
		w.Close()
		if _, opened := open(t, o); opened.Noted != s.chain.last || opened.Last != 100 {
			t.Errorf("%d of %d are on note", opened.Noted, opened.Last)
		}
	})
}

// A changed byte in a segment that is on note is found by the check, and the next
// start refuses the journal with the place. A size that is another is found at once.
func TestDamageBehindTheNoteIsFound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for at := 0; at < 1600; at += 100 {
			fsys := newMemFS()
			o := long(t, fsys)
			if _, err := checked(t, o); err != nil {
				t.Fatal(err)
			}
			sound := fsys.bytesOf("/j/" + segmentName(1))
			bad := bytes.Clone(sound)
			bad[at] ^= 1
			fsys.put("/j/"+segmentName(1), bad)
			var damage *Damage
			opened, err := checked(t, o)
			if opened.Noted == 0 || !errors.As(err, &damage) || damage.File != segmentName(1) {
				t.Fatalf("byte %d: %d on note, %v", at, opened.Noted, err)
			}
			if _, _, err := Open("/j", o); !errors.As(err, &damage) || damage.File != segmentName(1) {
				t.Errorf("byte %d: the next start says %v", at, err)
			}
		}
		fsys := newMemFS()
		o := long(t, fsys)
		if _, err := checked(t, o); err != nil {
			t.Fatal(err)
		}
		text := fsys.bytesOf("/j/" + segmentName(1))
		fsys.put("/j/"+segmentName(1), text[:lastLine(text)+1])
		var damage *Damage
		if _, _, err := Open("/j", o); !errors.As(err, &damage) {
			t.Errorf("a segment cut short behind the note: %v", err)
		}
	})
}

// A note that is damaged does not count; one that says something else than the lines
// is found by the check.
func TestNoteThatIsWrong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fsys := newMemFS()
		o := long(t, fsys)
		want, err := checked(t, o)
		if err != nil {
			t.Fatal(err)
		}
		text := fsys.bytesOf("/j/" + noteName)
		for at := 0; at < len(text); at += 7 {
			bad := bytes.Clone(text)
			bad[at] ^= 4
			fsys.put("/j/"+noteName, bad)
			w, opened := open(t, o)
			w.Close()
			if !reflect.DeepEqual(opened, want) {
				t.Fatalf("byte %d of the note: %+v", at, opened)
			}
		}
		s, err := parseNote(text, o.Tally)
		if err != nil {
			t.Fatal(err)
		}
		s.past.Pull.Data = []byte(strings.Replace(string(s.past.Pull.Data), `"zero_newtons":`, `"zero_newtons":1`, 1))
		other, err := s.text()
		if err != nil || bytes.Equal(other, text) {
			t.Fatal(err)
		}
		fsys.put("/j/"+noteName, other)
		var damage *Damage
		if _, err := checked(t, o); !errors.As(err, &damage) || damage.File != noteName {
			t.Errorf("a note with another zero: %v", err)
		}
		if fsys.bytesOf("/j/"+noteName) != nil {
			t.Error("the wrong note is still there")
		}
	})
}

// Every record is found by its number, wherever it lies in its segment.
func TestRecordByNumber(t *testing.T) {
	fsys := newMemFS()
	o := options(fsys)
	o.SegmentBytes = 4 << 20
	w, _ := open(t, o)
	defer w.Close()
	var all []publish.Record
	for i := range 900 {
		all = append(all, add(t, w, event(i, 10+i*i%9000)))
	}
	for i := len(all) - 1; i >= 0; i -= 7 {
		r, err := w.Next(t.Context(), uint64(i))
		if err != nil || !bytes.Equal(r.Line, all[i].Line) {
			t.Fatalf("record %d: %v", i+1, err)
		}
	}
}

func FuzzNote(f *testing.F) {
	f.Add([]byte("{}\n"))
	one := newSofar(func() Tally { return &digestTally{} })
	one.chain.bench, one.chain.last, one.count = bench, 3, 1
	text, err := one.text()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Fuzz(func(t *testing.T, b []byte) {
		sum := sha256.Sum256(b)
		for _, text := range [][]byte{b, fmt.Appendf(bytes.Clone(b), "\n%x\n", sum)} {
			s, err := parseNote(text, func() Tally { return &digestTally{} })
			if err != nil {
				continue
			}
			again, err := s.text()
			if err != nil {
				t.Fatal(err)
			}
			if back, err := parseNote(again, s.fresh); err != nil || back.chain.hash != s.chain.hash || back.count != s.count {
				t.Fatalf("%s comes back as %s, %v", text, again, err)
			}
		}
	})
}

// The format of a journal: the one it was begun with, and none that is not known.
func TestFormat(t *testing.T) {
	fsys := newMemFS()
	o := long(t, fsys)
	if got := string(fsys.bytesOf("/j/" + formatName)); got != "thimbled journal format 2\n" {
		t.Errorf("a new journal says %q", got)
	}
	fsys.put("/j/"+formatName, []byte("thimbled journal format 3\n"))
	if _, _, err := Open("/j", o); !errors.Is(err, ErrFormat) || !strings.Contains(err.Error(), "knows up to 2") {
		t.Errorf("a later format: %v", err)
	}
	if _, err := audit(fsys, "/j", 0, nil); !errors.Is(err, ErrFormat) {
		t.Errorf("audit of a later format: %v", err)
	}
	if _, err := readAll(fsys); !errors.Is(err, ErrFormat) {
		t.Errorf("records of a later format: %v", err)
	}
	for _, text := range []string{"x", "thimbled journal format 1\n", "thimbled journal format 02\n", "thimbled journal format \n", "thimbled journal format 2\n\n"} {
		fsys.put("/j/"+formatName, []byte(text))
		var damage *Damage
		if _, _, err := Open("/j", o); !errors.As(err, &damage) || damage.File != formatName {
			t.Errorf("%q: %v", text, err)
		}
	}
	fsys.put("/j/"+formatName, nil)
	if w, _ := open(t, o); w.format != 1 {
		t.Errorf("an empty file is format %d", w.format)
	}
}
