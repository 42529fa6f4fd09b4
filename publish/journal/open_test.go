package journal

import (
	"bytes"
	"errors"
	"path"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// written is a sound journal to damage: its files and its records.
type written struct {
	fsys     *memFS
	segments []string // names, rising
	records  []publish.Record
}

// writeLoft writes the loft's morning into segments of the given size.
func writeLoft(t testing.TB, segmentBytes int64) written {
	t.Helper()
	j := written{fsys: newMemFS()}
	o := options(j.fsys)
	o.SegmentBytes = segmentBytes
	w, _ := open(t, o)
	loft(t, w)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	var err error
	if j.records, err = readAll(j.fsys); err != nil {
		t.Fatal(err)
	}
	for _, first := range w.segments {
		j.segments = append(j.segments, segmentName(first))
	}
	return j
}

func (j written) segment(i int) (name string, data []byte) {
	return j.segments[i], j.fsys.bytesOf(path.Join("/j", j.segments[i]))
}

// with returns the journal with other bytes in one file.
func (j written) with(name string, data []byte) *memFS {
	c := j.fsys.copyFiles()
	c.put(path.Join("/j", name), data)
	return c
}

// lastLine is where the last record of a segment begins.
func lastLine(segment []byte) int { return bytes.LastIndexByte(segment[:len(segment)-1], '\n') + 1 }

// goesOn checks that a journal whose end was damaged has all the other records,
// keeps the damaged bytes aside, and can be appended to and audited.
func goesOn(t *testing.T, fsys *memFS, want []publish.Record, tail []byte) {
	t.Helper()
	w, opened, err := Open("/j", options(fsys))
	if err != nil {
		t.Fatal(err)
	}
	if opened.Last != uint64(len(want)) {
		t.Fatalf("opened with %d records, want %d", opened.Last, len(want))
	}
	if (opened.Cut == nil) != (len(tail) == 0) {
		t.Fatalf("cut off %+v, want %d bytes", opened.Cut, len(tail))
	}
	if c := opened.Cut; c != nil {
		if kept := fsys.bytesOf(path.Join("/j", c.Kept)); !bytes.Equal(kept, tail) || c.Bytes != int64(len(tail)) || c.Record != opened.Last+1 {
			t.Fatalf("cut off %+v, kept %d bytes, want %d", c, len(kept), len(tail))
		}
	}
	add(t, w, event(1, 1))
	w.Close()
	got, err := readAll(fsys)
	if err != nil || len(got) != len(want)+1 {
		t.Fatalf("%d records, %v", len(got), err)
	}
	for i := range want {
		if !bytes.Equal(got[i].Line, want[i].Line) {
			t.Fatalf("record %d is another", i+1)
		}
	}
	if r, err := audit(fsys, "/j", 0, nil); err != nil || !r.Sound() {
		t.Fatalf("audit: %+v, %v", r, err)
	}
}

func TestCutAfterEachByteOfTheLastRecord(t *testing.T) {
	t.Parallel()
	j := writeSmall(t)
	name, data := j.segment(len(j.segments) - 1)
	from := lastLine(data)
	for n := from; n < len(data); n++ {
		goesOn(t, j.with(name, data[:n]), j.records[:len(j.records)-1], data[from:n])
	}
}

func TestFlippedBitInTheLastRecord(t *testing.T) {
	t.Parallel()
	j := writeSmall(t)
	name, data := j.segment(len(j.segments) - 1)
	from := lastLine(data)
	for n := from; n < len(data); n++ {
		for bit := range 8 {
			bad := slices.Clone(data)
			bad[n] ^= 1 << bit
			if fsys := j.with(name, bad); n%8 == bit {
				goesOn(t, fsys, j.records[:len(j.records)-1], bad[from:])
			} else if w, opened := open(t, options(fsys)); opened.Last != uint64(len(j.records)-1) || opened.Cut == nil {
				t.Fatalf("byte %d, bit %d: opened %+v", n, bit, opened)
			} else {
				w.Close()
			}
		}
	}
}

// What a file system may leave behind an append that power loss broke off: the
// size without the bytes, or with bytes of something else.
func TestTornTails(t *testing.T) {
	j := writeLoft(t, 1<<20)
	name, data := j.segment(0)
	from := lastLine(data)
	for what, tail := range map[string][]byte{
		"zeros":              make([]byte, 5000),
		"one line feed":      []byte("\n"),
		"line feeds":         []byte("\n\n\n"),
		"half zeros":         append(slices.Clone(data[from:from+100]), make([]byte, 400)...),
		"a piece of a trace": []byte("1.02,12000,,\r\n1.04,12100,,\r\n"),
		"most there can be":  bytes.Repeat([]byte{0xff}, maxLine),
	} {
		t.Run(what, func(t *testing.T) {
			goesOn(t, j.with(name, append(slices.Clone(data), tail...)), j.records, tail)
		})
	}
	t.Run("only a torn record", func(t *testing.T) {
		one := j.records[0].Line[:200]
		goesOn(t, j.with(name, one), nil, one)
	})
	t.Run("an empty new segment", func(t *testing.T) {
		goesOn(t, j.with(segmentName(uint64(len(j.records)+1)), nil), j.records, nil)
	})
	t.Run("a torn record in a new segment", func(t *testing.T) {
		goesOn(t, j.with(segmentName(uint64(len(j.records)+1)), data[:50]), j.records, data[:50])
	})
}

// A full disk leaves no room to keep the damage aside: the journal is not opened,
// nothing is cut off, and no piece of a copy stays behind.
func TestTornTailOnAFullDisk(t *testing.T) {
	j := writeSmall(t)
	name, data := j.segment(1)
	fsys := j.with(name, data[:len(data)-9])
	_, _, err := Open("/j", options(faultFS{fsys, func(op string) fate {
		if strings.HasPrefix(op, "write "+name+keptInfix) {
			return full
		}
		return done
	}}))
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("opened: %v", err)
	}
	if !bytes.Equal(fsys.bytesOf("/j/"+name), data[:len(data)-9]) || fsys.bytesOf("/j/"+name+keptInfix+"1") != nil {
		t.Error("the journal was changed")
	}
	goesOn(t, fsys, j.records[:3], data[lastLine(data):len(data)-9])
}

// refusedAt checks that a journal is not opened, that the place is named, and
// that nothing was changed.
func refusedAt(t *testing.T, fsys *memFS, segments []string, want Damage) {
	t.Helper()
	var before [][]byte
	for _, name := range segments {
		before = append(before, fsys.bytesOf(path.Join("/j", name)))
	}
	_, _, err := Open("/j", options(fsys))
	var d *Damage
	if !errors.As(err, &d) {
		t.Fatalf("opened, or not for damage: %v; want %+v", err, want)
	}
	want.Reason = d.Reason
	if *d != want {
		t.Fatalf("refused at %+v, want %+v", *d, want)
	}
	for i, name := range segments {
		if !bytes.Equal(fsys.bytesOf(path.Join("/j", name)), before[i]) {
			t.Fatalf("%s was changed", name)
		}
	}
}

func TestFlippedBitElsewhereIsRefused(t *testing.T) {
	t.Parallel()
	j := writeSmall(t)
	record := uint64(0)
	for s, name := range j.segments {
		_, data := j.segment(s)
		end := len(data)
		if s == len(j.segments)-1 {
			end = lastLine(data)
		}
		line, from := 1, 0
		for n := range end {
			if n == from {
				record++
			}
			bad := slices.Clone(data)
			bad[n] ^= 1 << (n % 8)
			refusedAt(t, j.with(name, bad), j.segments, Damage{File: name, Line: line, Offset: int64(from), Record: record})
			if data[n] == '\n' {
				line, from = line+1, n+1
			}
		}
	}
}

func TestDamageThatNoTornWriteLeaves(t *testing.T) {
	j := writeLoft(t, 1<<20)
	name, data := j.segment(0)
	last := lastLine(data)
	before := lastLine(data[:last])
	n := uint64(len(j.records))
	two := slices.Clone(data)
	two[before+100] ^= 1
	two[last+100] ^= 1
	atLine := func(line int, offset int, record uint64) Damage {
		return Damage{File: name, Line: line, Offset: int64(offset), Record: record}
	}
	refusedAt(t, j.with(name, two), j.segments, atLine(int(n-1), before, n-1))
	out := slices.Concat(data[:before], data[last:])
	refusedAt(t, j.with(name, out), j.segments, atLine(int(n-1), before, n))
	twice := slices.Concat(data, data[last:])
	refusedAt(t, j.with(name, twice), j.segments, atLine(int(n+1), len(data), n))
	huge := slices.Concat(data, make([]byte, maxLine+1))
	refusedAt(t, j.with(name, huge), j.segments, atLine(int(n+1), len(data), n+1))
}

// Segments that are missing or renamed leave a hole in the chain.
func TestSegmentsOutOfOrder(t *testing.T) {
	j := writeLoft(t, 1500)
	_, first := j.segment(0)
	rest := j.fsys.copyFiles()
	rest.Rename("/j/"+j.segments[0], "/j/set-aside")
	refusedAt(t, rest, j.segments[1:], Damage{File: j.segments[1], Record: 1})
	middle := j.fsys.copyFiles()
	middle.Rename("/j/"+j.segments[1], "/j/set-aside")
	refusedAt(t, middle, j.segments[2:], Damage{File: j.segments[2], Record: number(j.segments[1])})
	refusedAt(t, j.with(j.segments[1], nil), j.segments, Damage{File: j.segments[2], Record: number(j.segments[1])})
	refusedAt(t, j.with(j.segments[1], first), j.segments, Damage{File: j.segments[1], Line: 1, Record: 1})
}

func number(segment string) uint64 {
	n, _ := numbered(segment, segmentSuffix)
	return n
}

func TestOpenedTellsHowThingsStood(t *testing.T) {
	newtons := func(n peak.Force) peak.Maybe[peak.Force] { return peak.Known(n * peak.Newton) }
	zero := func(n peak.Force) peak.Event { return peak.ZeroSet{New: n * peak.Newton, By: "rigger"} }
	tare := func(n peak.Force) peak.Event { return peak.TareSet{New: n * peak.Newton, By: "rigger"} }
	started := func(pull int64, zero, tare peak.Force) peak.Event {
		return peak.PullStarted{Pull: pull, Zero: zero * peak.Newton, Tare: tare * peak.Newton}
	}
	ended := func(pull int64, zero, tare peak.Force) peak.Event {
		return peak.PullEnded{Pull: pull, Zero: zero * peak.Newton, Tare: tare * peak.Newton}
	}
	for name, c := range map[string]struct {
		events []peak.Event
		want   Opened
		inHand uint64 // the number of its pull.started
	}{
		"empty":             {nil, Opened{Clean: true}, 0},
		"started":           {[]peak.Event{peak.DaemonStarted{}}, Opened{}, 0},
		"stopped clean":     {[]peak.Event{peak.DaemonStarted{}, peak.DaemonStopped{Clean: true}}, Opened{Clean: true}, 0},
		"stopped unclean":   {[]peak.Event{peak.DaemonStarted{}, peak.DaemonStopped{}}, Opened{}, 0},
		"stopped and on":    {[]peak.Event{peak.DaemonStopped{Clean: true}, peak.DaemonStarted{}}, Opened{}, 0},
		"zero and tare":     {[]peak.Event{zero(5), tare(7), zero(-6)}, Opened{Zero: newtons(-6), Tare: newtons(7)}, 0},
		"half a newton":     {[]peak.Event{peak.ZeroSet{New: 2500}}, Opened{Zero: peak.Known(peak.Force(2500))}, 0},
		"a pull knows both": {[]peak.Event{zero(5), tare(7), started(3, 8, 9), ended(3, 8, 9)}, Opened{LastPull: 3, Zero: newtons(8), Tare: newtons(9)}, 0},
		"set after a pull":  {[]peak.Event{ended(3, 8, 9), zero(1)}, Opened{LastPull: 3, Zero: newtons(1), Tare: newtons(9)}, 0},
		"in hand":           {[]peak.Event{ended(3, 8, 9), started(4, 1, 2), peak.HoldReached{Pull: 4}}, Opened{LastPull: 4, Zero: newtons(1), Tare: newtons(2)}, 2},
	} {
		t.Run(name, func(t *testing.T) {
			fsys := newMemFS()
			w, _ := open(t, options(fsys))
			for _, e := range c.events {
				add(t, w, encode(e, nil))
			}
			w.Close()
			w, got := open(t, options(fsys))
			defer w.Close()
			hand := got.InHand
			got.InHand, got.LastHash = nil, ""
			c.want.Last = uint64(len(c.events))
			if !reflect.DeepEqual(got, c.want) {
				t.Errorf("got  %+v\nwant %+v", got, c.want)
			}
			if (hand != nil) != (c.inHand != 0) {
				t.Fatalf("in hand: %+v", hand)
			}
			if hand != nil && (hand.Record != c.inHand || hand.Pull != got.LastPull || !strings.Contains(string(hand.Data), `"pull":4`)) {
				t.Errorf("in hand: %+v", hand)
			}
		})
	}
}

// A time that a line can hold but no RFC 3339 reader reads never gets in, and a
// clock that was never set does not stop the journal.
func TestClockNeverSet(t *testing.T) {
	fsys := newMemFS()
	o := options(fsys)
	o.Now = func() time.Time { return time.Unix(0, 0) }
	w, _ := open(t, o)
	add(t, w, publish.Event{Type: "thimbled.daemon.started", Data: []byte(`{}`)}) // year 1
	w.Close()
	if r, err := audit(fsys, "/j", 0, nil); err != nil || !r.Sound() || r.Records != 1 {
		t.Errorf("audit: %+v, %v", r, err)
	}
}
