package search_test

import (
	"encoding/json"
	"io"
	"runtime"
	"strconv"
	"sync"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish/search"
)

// manyTests is how many tests the figures are for.
const manyTests = 100_000

// large is an index of many tests, with what it took to feed it.
var large = sync.OnceValue(func() (l struct {
	index   *search.Index
	tests   int
	bytes   uint64
	feeding time.Duration
	records int
	data    int
}) {
	l.index = search.New()
	before := heap()
	for r := range years(7, manyTests*30/29) {
		began := time.Now()
		if err := l.index.Add(r); err != nil {
			panic(err)
		}
		l.feeding += time.Since(began)
		l.records++
		l.data += len(r.Line)
	}
	l.bytes = heap() - before
	_, l.tests, _ = l.index.Find(search.Query{})
	return l
})

// BenchmarkFeed reports what it takes to feed an index of 100,000 tests, and how
// much memory it has then.
func BenchmarkFeed(b *testing.B) {
	for b.Loop() {
		l := large()
		b.ReportMetric(float64(l.tests), "tests")
		b.ReportMetric(float64(l.records), "records")
		b.ReportMetric(float64(l.data)/1e6, "MB-of-records")
		b.ReportMetric(l.feeding.Seconds(), "s-to-feed")
		b.ReportMetric(float64(l.bytes)/1e6, "MB-in-memory")
	}
	runtime.KeepAlive(large().index)
}

func BenchmarkFind(b *testing.B) {
	x := large().index
	for name, q := range map[string]search.Query{
		"newest": {Limit: 100}, "tag": {Item: "hl-00042", Limit: 100}, "prefix": {Item: "hl-0*", Limit: 100},
		"verdict": {Verdict: peak.Exceeded, Limit: 100}, "since": {Since: opened.AddDate(2, 0, 0), Limit: 100},
		"everything": {Item: "HL-12*", Verdict: peak.Pass, Since: opened, Until: opened.AddDate(3, 0, 0), Limit: 100},
		"no-limit":   {},
	} {
		b.Run(name, func(b *testing.B) {
			total := 0
			for b.Loop() {
				_, total, _ = x.Find(q)
			}
			b.ReportMetric(float64(total), "found")
		})
	}
	b.Run("job", func(b *testing.B) {
		for b.Loop() {
			x.Test("j-" + strconv.Itoa(50000))
		}
	})
}

func BenchmarkAnswer(b *testing.B) {
	x := large().index
	for b.Loop() {
		text, err := x.Answer(b.Context(), search.Query{Item: "HL-12*", Limit: 100})
		if err != nil || !json.Valid(text) {
			b.Fatal(err)
		}
	}
}

func BenchmarkWriteCSV(b *testing.B) {
	tests, _, _ := large().index.Find(search.Query{})
	for b.Loop() {
		if err := search.WriteCSV(io.Discard, tests); err != nil {
			b.Fatal(err)
		}
	}
}
