package journal

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// place is a call of Sync, SyncDir or Reread: the functions that lead to it,
// and where it stands in the source.
type place struct{ way, source string }

// syncs are the methods that this is about, by the operation's word.
var syncs = map[string]string{"sync": "Sync", "syncdir": "SyncDir", "reread": "Reread"}

// here tells from where in the package a file operation was called.
func here(op string) place {
	verb, _, _ := strings.Cut(op, " ")
	pcs := make([]uintptr, 40)
	frames := runtime.CallersFrames(pcs[:runtime.Callers(1, pcs)])
	var p place
	var way []string
	for {
		f, more := frames.Next()
		if file := filepath.Base(f.File); strings.Contains(f.Function, "publish/journal.") && !strings.HasSuffix(file, "_test.go") {
			if p.source == "" {
				p.source = fmt.Sprintf("%s:%d %s", file, f.Line, syncs[verb])
			}
			name := f.Function[strings.LastIndexByte(f.Function, '.')+1:]
			way = append(way, name)
		}
		if !more {
			break
		}
	}
	slices.Reverse(way)
	p.way = strings.Join(way, " > ")
	return p
}

func isSync(op string) bool {
	verb, _, _ := strings.Cut(op, " ")
	return syncs[verb] != ""
}

// losses runs a daemon that leaves out the sync of one step, cuts the power each
// time something was promised, and returns the first promise that was broken.
func losses(fsys *memFS, step int) (lost error) {
	s := &witness{}
	s.check = func() {
		if lost == nil {
			lost = s.kept(fsys.powerCut())
		}
	}
	if err := s.run(faultFS{fsys, atStep(step, forgotten)}); err != nil && lost == nil {
		lost = err
	}
	return lost
}

// Every sync is needed: with all of them nothing promised is lost in a power cut at
// any moment, and for each call of a sync in the source, on each way to it, there is
// a moment at which leaving it out loses something. Rereading what a failed sync
// left counts as one of them.
func TestEverySyncIsNeeded(t *testing.T) {
	needed := map[place]string{}
	for name, start := range starts() {
		if err := losses(start(t), -1); err != nil {
			t.Fatalf("%s: with all syncs: %v", name, err)
		}
		var ops []string
		var places []place
		(&witness{}).run(faultFS{start(t), func(op string) fate {
			ops = append(ops, op)
			places = append(places, here(op))
			return done
		}})
		for step, op := range ops {
			if !isSync(op) || needed[places[step]] != "" {
				continue
			}
			needed[places[step]] = ""
			if err := losses(start(t), step); err != nil {
				needed[places[step]] = fmt.Sprintf("%s: without %q: %v", name, op, err)
			}
		}
	}
	seen := map[string]bool{}
	for _, p := range slices.SortedFunc(maps.Keys(needed), func(a, b place) int { return strings.Compare(a.way+a.source, b.way+b.source) }) {
		seen[p.source] = true
		if needed[p] == "" {
			t.Errorf("nothing is lost without the sync in %s (%s)", p.way, p.source)
		}
		t.Logf("%s (%s): %s", p.way, p.source, needed[p])
	}
	for _, source := range syncCalls(t) {
		if !seen[source] {
			t.Errorf("no run comes to the sync in %s", source)
		}
	}
}

// syncCalls returns where the package's source has calls of a sync.
func syncCalls(t *testing.T) (all []string) {
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if name == "fs.go" || strings.HasSuffix(name, "_test.go") {
			continue
		}
		files := token.NewFileSet()
		file, err := parser.ParseFile(files, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok && slices.Contains(slices.Collect(maps.Values(syncs)), s.Sel.Name) {
				all = append(all, fmt.Sprintf("%s:%d %s", name, files.Position(s.Pos()).Line, s.Sel.Name))
			}
			return true
		})
	}
	if len(all) == 0 {
		t.Fatal("no sync found in the source")
	}
	return all
}
