package journal

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/publish"
)

func TestRecordsReadAreRecordsWritten(t *testing.T) {
	fsys := newMemFS()
	o := options(fsys)
	o.SegmentBytes = 3000
	w, _ := open(t, o)
	var written []publish.Record
	for i := range 40 {
		written = append(written, add(t, w, event(i, i*11%700+1)))
	}
	read, err := readAll(fsys)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(read, written) {
		t.Errorf("read back other records than written")
	}
	for i, r := range written {
		got, err := w.Next(t.Context(), uint64(i))
		if err != nil || !reflect.DeepEqual(got, r) {
			t.Fatalf("Next(%d) = %v, %v; want record %d", i, got, err, r.Number)
		}
	}
	if n := len(w.segments); n < 8 {
		t.Errorf("%d segments; the journal should have gone through many", n)
	}
	if err := w.Close(); err != nil {
		t.Error(err)
	}
	again, opened := open(t, o)
	defer again.Close()
	last := written[len(written)-1]
	if opened.Last != last.Number || opened.LastHash != sha256Hex(last.Line) || opened.Cut != nil || opened.Clean {
		t.Errorf("opened anew: %+v", opened)
	}
}

// Readers that lag behind get every record from the disk, each at its own
// place, while records are appended.
func TestNextFromDisk(t *testing.T) {
	o := options(newMemFS())
	o.SegmentBytes = 9000
	w, _ := open(t, o)
	const n = 3 * recentRecords
	for i := range n {
		add(t, w, event(i, 20))
	}
	at := make([]uint64, 2*maxCursors)
	for i := range at {
		at[i] = uint64(i * 40)
	}
	for range 200 {
		for i := range at {
			r, err := w.Next(t.Context(), at[i])
			if err != nil || r.Number != at[i]+1 {
				t.Fatalf("Next(%d) = record %d, %v", at[i], r.Number, err)
			}
			at[i]++
		}
		add(t, w, event(0, 20))
	}
	if len(w.cursors) > maxCursors {
		t.Errorf("%d cursors are kept", len(w.cursors))
	}
}

func TestNextWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, _ := open(t, options(newMemFS()))
		got := make(chan publish.Record)
		go func() {
			for after := uint64(0); after < 2; after++ {
				r, err := w.Next(t.Context(), after)
				if err != nil {
					t.Error(err)
				}
				got <- r
			}
		}()
		synctest.Wait()
		select {
		case r := <-got:
			t.Fatalf("got record %d before there was one", r.Number)
		default:
		}
		for range 2 {
			want := add(t, w, event(1, 1))
			if r := <-got; !reflect.DeepEqual(r, want) {
				t.Errorf("got %v, want %v", r, want)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		if _, err := w.Next(ctx, 2); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("after the deadline: %v", err)
		}
		ended := make(chan error)
		go func() {
			_, err := w.Next(t.Context(), 2)
			ended <- err
		}()
		synctest.Wait()
		w.Close()
		if err := <-ended; !errors.Is(err, ErrClosed) {
			t.Errorf("after Close: %v", err)
		}
		if _, err := w.Append(event(1, 1)); !errors.Is(err, ErrClosed) {
			t.Errorf("append after Close: %v", err)
		}
	})
}

// An event that cannot be a record is refused, and the journal goes on.
func TestAppendRefuses(t *testing.T) {
	fsys := newMemFS()
	w, _ := open(t, options(fsys))
	good := event(1, 1)
	with := func(change func(*publish.Event)) publish.Event {
		e := good
		change(&e)
		return e
	}
	for name, e := range map[string]publish.Event{
		"no type":          with(func(e *publish.Event) { e.Type = "" }),
		"quote in type":    with(func(e *publish.Event) { e.Type = `a"b` }),
		"year 10000":       with(func(e *publish.Event) { e.Time = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }),
		"no data":          with(func(e *publish.Event) { e.Data = nil }),
		"a list":           with(func(e *publish.Event) { e.Data = []byte(`[1]`) }),
		"two objects":      with(func(e *publish.Event) { e.Data = []byte(`{},"b":{}`) }),
		"two lines":        with(func(e *publish.Event) { e.Data = []byte("{\n}") }),
		"space around":     with(func(e *publish.Event) { e.Data = []byte(" {}") }),
		"bad UTF-8":        with(func(e *publish.Event) { e.Data = []byte("{\"a\":\"\xff\"}") }),
		"half a surrogate": with(func(e *publish.Event) { e.Data = []byte(`{"a":"\ud8"}`) }),
		"too long":         event(1, maxLine),
	} {
		if _, err := w.Append(e); err == nil || errors.Is(err, ErrFailed) {
			t.Errorf("%s: %v; want it refused without the journal failing", name, err)
		}
	}
	if r := add(t, w, good); r.Number != 1 {
		t.Errorf("the first good event is record %d", r.Number)
	}
	longest := event(2, 1)
	line := add(t, w, longest).Line
	add(t, w, event(3, 1+maxLine-len(line)-1))
	if r, err := audit(fsys, "/j", 0, nil); err != nil || !r.Sound() || r.Records != 3 {
		t.Errorf("audit: %+v, %v", r, err)
	}
}

func TestOpenRefuses(t *testing.T) {
	fsys := newMemFS()
	for _, id := range []string{"", "dock 3", `dock"3`, "dock/3"} {
		if _, _, err := Open("/j", Options{Bench: id, FS: fsys}); err == nil {
			t.Errorf("bench id %q was taken", id)
		}
	}
	w, _ := open(t, options(fsys))
	if _, _, err := Open("/j", options(fsys)); !errors.Is(err, ErrLocked) {
		t.Errorf("opened twice: %v", err)
	}
	add(t, w, event(1, 1))
	w.Close()
	before := fsys.bytesOf("/j/000000000001.jsonl")
	o := options(fsys)
	o.Bench = "dock-4"
	_, _, err := Open("/j", o)
	if !errors.Is(err, ErrOtherBench) || !strings.Contains(err.Error(), "dock-3") {
		t.Errorf("opened for another bench: %v", err)
	}
	if after := fsys.bytesOf("/j/000000000001.jsonl"); string(after) != string(before) {
		t.Error("the refused journal was changed")
	}
	w, _ = open(t, options(fsys)) // the refusals gave the lock up
	w.Close()
}

func TestRoom(t *testing.T) {
	fsys := newMemFS()
	o := options(fsys)
	o.MinFree = 1000
	w, _ := open(t, o)
	fsys.free = 1000
	if err := w.Room(); err != nil {
		t.Errorf("just enough: %v", err)
	}
	fsys.free = 999
	if err := w.Room(); !errors.Is(err, ErrNoRoom) {
		t.Errorf("too little: %v", err)
	}
}

// The real file system: the lock binds between two opens, the free space is
// that of the disk, and what was written is read back.
func TestOnDisk(t *testing.T) {
	dir := t.TempDir() + "/new/thimbled"
	w, opened, err := Open(dir, Options{Bench: bench})
	if err != nil {
		t.Fatal(err)
	}
	if !opened.Clean || opened.Last != 0 {
		t.Errorf("a new journal: %+v", opened)
	}
	loft(t, w)
	if _, _, err := Open(dir, Options{Bench: bench}); !errors.Is(err, ErrLocked) {
		t.Errorf("opened twice: %v", err)
	}
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		t.Fatal(err)
	}
	if free, err := w.Free(); err != nil || free <= 0 || free > int64(s.Blocks)*int64(s.Bsize) {
		t.Errorf("Free() = %d, %v", free, err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	report, err := Audit(dir)
	if err != nil || !report.Sound() || report.Records != 9 || report.Traces != 1 || report.Bench != bench || len(report.Notes) != 0 {
		t.Errorf("audit: %+v, %v", report, err)
	}
	n := 0
	for r, err := range Records(dir) {
		n++
		if err != nil || r.Number != uint64(n) {
			t.Fatalf("record %d: %v", r.Number, err)
		}
	}
	w, opened, err = Open(dir, Options{Bench: bench})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if n != 9 || !opened.Clean || opened.Last != 9 || opened.LastHash != report.LastHash {
		t.Errorf("opened anew: %+v", opened)
	}
}
