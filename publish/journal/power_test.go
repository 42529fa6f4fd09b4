package journal

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
)

var (
	seeds     = flag.Int("seeds", 5, "how many fresh `seeds` TestSimulationOfPowerCuts takes beside the fixed ones")
	firstSeed = flag.Uint64("seed", 0, "the first of the fresh `seeds`; 0 draws one")
)

// cutsInALife is how often the power fails over one journal.
const cutsInALife = 20

// fixedLives are always run.
const fixedLives = 15

// sector is what a disk writes whole or not at all.
const sector = 512

// tornPowerCut is powerCut on a disk that had begun to write what nobody had asked it to
// make durable yet: in any order, sector by sector, names as well as bytes.
func (m *memFS) tornPowerCut(chance *rand.Rand) *memFS {
	m.mu.Lock()
	defer m.mu.Unlock()
	after := newMemFS()
	after.root = m.root.tornPowerCut(chance)
	return after
}

func (d *memDir) tornPowerCut(chance *rand.Rand) *memDir {
	survived := maps.Clone(d.durable)
	all := maps.Clone(d.durable)
	maps.Copy(all, d.names)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		now, there := d.names[name]
		switch {
		case chance.IntN(2) == 0:
		case there:
			survived[name] = now
		default:
			delete(survived, name)
		}
	}
	after := newMemDir()
	for _, name := range slices.Sorted(maps.Keys(survived)) {
		switch n := survived[name].(type) {
		case *memDir:
			after.names[name] = n.tornPowerCut(chance)
		case *memNode:
			left := n.torn(chance)
			after.names[name] = &memNode{data: slices.Clone(left), disk: left}
		}
	}
	after.durable = maps.Clone(after.names)
	return after
}

// torn returns what the disk may hold of a file.
func (n *memNode) torn(chance *rand.Rand) []byte {
	if len(n.data) <= len(n.disk) { // at most a truncation is on its way
		if chance.IntN(2) == 0 {
			return slices.Clone(n.disk)
		}
		return slices.Clone(n.disk[:len(n.data)])
	}
	switch chance.IntN(4) {
	case 0:
		return slices.Clone(n.disk)
	case 1:
		return slices.Clone(n.written(len(n.data)))
	}
	size := len(n.disk) + chance.IntN(len(n.data)-len(n.disk)+1)
	left := slices.Clone(n.written(size))
	for at := len(n.disk) / sector * sector; at < size; at += sector {
		if chance.IntN(3) == 0 { // the size came first, and these bytes never
			clear(left[max(at, len(n.disk)):min(at+sector, size)])
		}
	}
	return left
}

// written is what the disk holds of so many bytes when everything that will ever be
// written is: not what a failed sync has marked clean.
func (n *memNode) written(size int) []byte {
	b := make([]byte, size)
	copy(b, n.disk)
	if n.clean < size {
		copy(b[n.clean:], n.data[n.clean:size])
	}
	return b
}

// life is a journal over which the power fails again and again.
type life struct {
	chance *rand.Rand
	disk   *memFS
	left   int // operations until the power fails
	log    []string
}

// decide lets the power fail after some operations, in the middle of one.
func (l *life) decide(op string) fate {
	l.left--
	l.log = append(l.log, op)
	switch {
	case l.left > 0:
		return done
	case l.left == 0:
		return []fate{killed, doneAfter, full}[l.chance.IntN(3)]
	}
	return killed
}

// cut runs a daemon until the power fails, and checks that all it promised is there.
func (l *life) cut() error {
	l.left = 1 + l.chance.IntN(90)
	s, faults := &witness{}, faultFS{l.disk, l.decide}
	if l.chance.IntN(2) == 0 {
		if err := readAgain(faults); err != nil && l.left > 0 {
			return fmt.Errorf("check: %w", err)
		}
	}
	for l.left > 0 {
		s = &witness{}
		if err := s.run(faults); err != nil && l.left > 0 {
			return fmt.Errorf("run: %w", err)
		}
	}
	after := l.disk.tornPowerCut(l.chance)
	if l.chance.IntN(4) == 0 {
		after = l.disk.kill().copyFiles() // the process alone died
	}
	l.disk = after
	return s.kept(after.copyFiles())
}

// readAgain checks the finished segments and puts them on note.
func readAgain(fsys FS) error {
	o := options(fsys)
	o.SegmentBytes = 2000
	w, _, err := Open("/j", o)
	if err != nil {
		return err
	}
	ended, cancel := context.WithCancel(context.Background())
	cancel() // it goes as far as it can and does not wait for more
	if err := w.checkOn(ended); !errors.Is(err, context.Canceled) {
		return errors.Join(err, w.Close())
	}
	return w.Close()
}

// The power fails at any operation, on a disk that writes in any order what was not
// synced, again and again over the same journal: whatever was acknowledged is there,
// once, and the journal is sound. A seed repeats a life exactly.
func TestSimulationOfPowerCuts(t *testing.T) {
	first := *firstSeed
	if first == 0 {
		first = rand.Uint64()
	}
	t.Logf("fresh seeds from -seed %d", first)
	cuts := 0
	for i := range fixedLives + *seeds {
		seed := uint64(i)
		if i >= fixedLives {
			seed = first + uint64(i-fixedLives)
		}
		l := newLife(seed)
		for n := range cutsInALife {
			if err := l.cut(); err != nil {
				t.Fatalf("seed %d, power cut %d: %v\nlast: %q", seed, n, err, l.log[max(0, len(l.log)-12):])
			}
			cuts++
		}
	}
	t.Logf("%d power cuts", cuts)
}

func newLife(seed uint64) *life {
	return &life{chance: rand.New(rand.NewPCG(seed, 1)), disk: newMemFS()}
}

// The same seed does the same operations.
func TestASeedRepeatsPowerCuts(t *testing.T) {
	a, b := newLife(3), newLife(3)
	for range cutsInALife {
		if err := errors.Join(a.cut(), b.cut()); err != nil {
			t.Fatal(err)
		}
	}
	if !slices.Equal(a.log, b.log) {
		t.Error("two lives of one seed differ")
	}
	if c := newLife(4); c.cut() == nil && slices.Equal(c.log, a.log[:min(len(c.log), len(a.log))]) {
		t.Error("another seed does the same")
	}
}

// Whatever a power cut leaves of the file that says the format, the journal opens.
func TestTornFormat(t *testing.T) {
	whole := []byte(fmt.Sprintf("%s%d\n", formatText, Format))
	for n := range whole {
		for _, text := range [][]byte{whole[:n], append(slices.Clone(whole[:n]), make([]byte, len(whole)-n)...)} {
			fsys := newMemFS()
			w, _ := open(t, options(fsys))
			add(t, w, event(1, 1))
			w.Close()
			fsys.put("/j/"+formatName, text)
			w, opened := open(t, options(fsys))
			if opened.Last != 1 || w.format != 1 {
				t.Errorf("%q: %d records, format %d", text, opened.Last, w.format)
			}
			w.Close()
		}
	}
}

// A start that fails while it makes the folders leaves some whose names are not durable;
// the next start does not take them for granted.
func TestFoldersOfAFailedStart(t *testing.T) {
	for step := range 40 {
		fsys := newMemFS()
		o := options(faultFS{fsys, atStep(step, refused)})
		if w, _, err := Open("/a/b/c/j", o); err == nil {
			w.Close()
		}
		o.FS = fsys.kill()
		w, _, err := Open("/a/b/c/j", o)
		if err != nil {
			t.Fatal(err)
		}
		add(t, w, event(1, 1))
		w.Close()
		o.FS = fsys.powerCut()
		if w, opened, err := Open("/a/b/c/j", o); err != nil || opened.Last != 1 {
			t.Errorf("step %d failed: %d records, %v", step, opened.Last, err)
		} else {
			w.Close()
		}
	}
}
