package search

import (
	"fmt"
	"strings"
	"time"

	"thimbled/peak"
)

// Query says which tests are wanted. What is empty or zero leaves all.
type Query struct {
	// Item is the item's tag, whatever its case and the blanks around it. With a *
	// at its end it is how the tag begins.
	Item string
	// A test must have ended at Since or later, and before Until.
	Since, Until time.Time
	Verdict      peak.Verdict
	Limit        int // how many tests at most
}

// verdicts are those that a test can have.
var verdicts = []peak.Verdict{peak.Pass, peak.Review, peak.Incomplete, peak.Void, peak.Exceeded, peak.Failed}

// ParseVerdict returns the verdict of a test that a word stands for.
func ParseVerdict(s string) (peak.Verdict, error) {
	var names []string
	for _, v := range verdicts {
		if strings.EqualFold(strings.TrimSpace(s), string(v)) {
			return v, nil
		}
		names = append(names, string(v))
	}
	return "", fmt.Errorf("verdict %q is none: a test's is one of %s", s, strings.Join(names, ", "))
}

// Find returns the tests that a query wants, that of the latest record first,
// and how many there are without its limit. An error says that some that lie far
// back cannot be read; those found are good.
func (x *Index) Find(q Query) (tests []Test, total int, err error) {
	want := q.filter()
	x.mu.RLock()
	shelves := x.shelves
	for i := len(x.tests) - 1; i >= 0; i-- {
		t := &x.tests[i]
		if !want.takes(t) {
			continue
		}
		total++
		if q.Limit <= 0 || total <= q.Limit {
			tests = append(tests, *t)
		}
	}
	x.mu.RUnlock()
	err = eachShelf(shelves, func(s *shelf) (bool, error) {
		found, err := s.find(&want)
		if err != nil {
			return false, s.spoilt(err)
		}
		if need := len(found); need > 0 && (q.Limit <= 0 || total < q.Limit) {
			content, err := s.read()
			if err != nil {
				return false, s.spoilt(err)
			}
			for _, i := range found {
				if q.Limit <= 0 || len(tests) < q.Limit {
					tests = append(tests, content.Tests[i])
				}
			}
		}
		total += len(found)
		return true, nil
	})
	return tests, total, err
}

// find returns the places of the tests on a shelf that are wanted, the last first.
func (s *shelf) find(want *filter) (found []int, err error) {
	if s.Newest.Before(want.Since) || !want.Until.IsZero() && !s.Oldest.Before(want.Until) {
		return nil, nil
	}
	keys, err := s.keys()
	for i := len(keys) - 1; i >= 0; i-- {
		k := &keys[i]
		if want.takes(&Test{key: k.key, Verdict: k.verdict, EndedAt: time.Unix(0, k.ended)}) {
			found = append(found, i)
		}
	}
	return found, err
}

// filter is a query made ready.
type filter struct {
	Query
	key    string // the folded tag, without the * of a prefix
	prefix bool
}

func (q Query) filter() filter {
	key, prefix := strings.CutSuffix(fold(q.Item), "*")
	return filter{Query: q, key: key, prefix: prefix || key == ""}
}

func (f *filter) takes(t *Test) bool {
	return (t.key == f.key || f.prefix && strings.HasPrefix(t.key, f.key)) &&
		(f.Verdict == "" || t.Verdict == f.Verdict) &&
		!t.EndedAt.Before(f.Since) && (f.Until.IsZero() || t.EndedAt.Before(f.Until))
}

// fold makes texts equal that differ only in case or in blanks around them. Upper
// case comes first because some letters have several small forms.
func fold(s string) string { return strings.ToLower(strings.ToUpper(strings.TrimSpace(s))) }
