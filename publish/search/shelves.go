package search

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"slices"

	"thimbled/publish"
)

// youngTests is how many tests are in memory at most; as soon as there are more,
// the older half goes to a shelf.
const youngTests = 4000

// Open returns an index that keeps in memory only the last tests, 4000 at most, and
// the others on shelves in a folder of its own, so that it need not read the whole
// journal after a start and does not grow with it. The folder holds nothing that
// the journal does not.
func Open(dir string) (*Index, error) {
	x := New()
	x.dir, x.young = dir, youngTests
	var err error
	if x.shelves, err = openShelves(dir); err != nil {
		return nil, fmt.Errorf("open index %s: %w", dir, err)
	}
	x.takeUp()
	return x, nil
}

// takeUp goes on behind the last shelf.
func (x *Index) takeUp() {
	x.last, x.highest = 0, 0
	if len(x.shelves) > 0 {
		end := x.shelves[len(x.shelves)-1]
		x.last, x.highest = end.Last, end.HighestPull
		for pull, record := range end.Started {
			x.started[pull] = record
		}
	}
}

// belongs drops the shelves if they are not of this journal.
func (x *Index) belongs(ctx context.Context, from publish.Records) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if len(x.shelves) == 0 || len(x.tests) > 0 {
		return nil
	}
	end := x.shelves[len(x.shelves)-1]
	if from.Last() >= end.Last {
		r, err := from.Next(ctx, end.Last-1)
		if err != nil {
			return err
		}
		if sumOf(r.Line) == end.Line {
			return nil
		}
	}
	for _, s := range x.shelves {
		if err := os.Remove(s.path); err != nil {
			return fmt.Errorf("remove a shelf of another journal: %w", err)
		}
	}
	x.shelves = nil
	clear(x.started)
	x.takeUp()
	return nil
}

func sumOf(line []byte) string {
	sum := sha256.Sum256(line)
	return hex.EncodeToString(sum[:])
}

// shelve puts the older half of the tests in memory on a shelf.
func (x *Index) shelve() error {
	n := len(x.tests) / 2
	content := body{Tests: x.tests[:n:n]}
	head := shelfHead{Last: x.tests[n-1].Record, Line: x.tests[n-1].line, HighestPull: x.highest, Started: map[int64]uint64{}}
	if len(x.shelves) > 0 {
		end := x.shelves[len(x.shelves)-1]
		head.After = end.Last
	}
	for pull, record := range x.started {
		if record <= head.Last {
			head.Started[pull] = record
		}
	}
	tested := map[int64]bool{}
	for _, t := range content.Tests {
		for _, p := range t.Pulls {
			tested[p.Number] = true
			head.HighestPull = max(head.HighestPull, p.Number)
		}
	}
	for number, p := range x.pulls {
		if p.Record <= head.Last && !tested[number] {
			content.Pulls = append(content.Pulls, *p)
			head.HighestPull = max(head.HighestPull, number)
		}
	}
	slices.SortFunc(content.Pulls, func(a, b Pull) int { return int(a.Number - b.Number) })
	s, err := writeShelf(x.dir, head, content)
	if err != nil {
		return fmt.Errorf("write shelf: %w", err)
	}
	x.shelves = append(x.shelves, s)
	x.forget(n, head)
	return nil
}

// forget lets go of the first tests, which are on a shelf, and of what belongs to
// them.
func (x *Index) forget(n int, head shelfHead) {
	x.highest = head.HighestPull
	x.tests = slices.Clone(x.tests[n:])
	clear(x.byJob)
	kept := map[int64]*Pull{}
	for number, p := range x.pulls {
		if p.Record > head.Last {
			kept[number] = p
		} else {
			delete(x.waiting, number)
		}
	}
	for i := range x.tests {
		t := &x.tests[i]
		x.byJob[t.Job] = i
		for k := range t.Pulls {
			kept[t.Pulls[k].Number] = &t.Pulls[k]
		}
	}
	x.pulls = kept
	clear(x.words)
	clear(x.reasons)
}

// eachShelf goes through the shelves, the newest first, until visit wants no more.
func eachShelf(shelves []*shelf, visit func(*shelf) (more bool, err error)) error {
	for _, s := range slices.Backward(shelves) {
		more, err := visit(s)
		if err != nil {
			return fmt.Errorf("index %s: %w; it is made again when the daemon is started anew", s.path, err)
		}
		if !more {
			return nil
		}
	}
	return nil
}

// shelvedTest finds the last test that a job ended with on the shelves.
func shelvedTest(shelves []*shelf, job string) (found *Test, on *shelf, err error) {
	err = eachShelf(shelves, func(s *shelf) (bool, error) {
		keys, err := s.keys()
		if err != nil {
			return false, s.spoilt(err)
		}
		for i := len(keys) - 1; i >= 0; i-- {
			if keys[i].job != job {
				continue
			}
			content, err := s.read()
			if err != nil {
				return false, s.spoilt(err)
			}
			found, on = &content.Tests[i], s
			return false, nil
		}
		return true, nil
	})
	return found, on, err
}

// spoilt removes a shelf that is damaged, so that it is made again.
func (s *shelf) spoilt(why error) error {
	os.Remove(s.path) // if that fails the next start finds it damaged too
	return why
}

// shelvedPull finds a pull on the shelves: as it is in a test, else by itself.
func shelvedPull(shelves []*shelf, number int64) (found *Pull, err error) {
	err = eachShelf(shelves, func(s *shelf) (bool, error) {
		if number > s.HighestPull {
			return false, nil // nor on one before
		}
		content, err := s.read()
		if err != nil {
			return false, s.spoilt(err)
		}
		for _, t := range content.Tests {
			for i := range t.Pulls {
				if t.Pulls[i].Number == number {
					found = &t.Pulls[i]
					return false, nil
				}
			}
		}
		for i := range content.Pulls {
			if content.Pulls[i].Number == number {
				found = &content.Pulls[i]
			}
		}
		return found == nil, nil
	})
	return found, err
}

// inspectShelved puts a finding into a test on a shelf, which is written anew. A
// finding that it has already comes again after a start.
func (x *Index) inspectShelved(job string, i *Inspection) error {
	t, s, err := shelvedTest(x.shelves, job)
	if err != nil || t == nil || t.Inspection != nil && t.Inspection.Record >= i.Record {
		return err
	}
	content, err := s.read()
	if err != nil {
		return s.spoilt(err)
	}
	for k := range content.Tests {
		if content.Tests[k].Record == t.Record {
			content.Tests[k].Inspection = i
			content.Tests[k].Inspections++
		}
	}
	_, err = writeShelf(x.dir, s.shelfHead, content)
	return err
}
