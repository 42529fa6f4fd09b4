package main_test

import (
	"fmt"
	"go/ast"
	"go/build"
	"go/importer"
	"go/token"
	"go/types"
	"io"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// coreRoom is the room whose code must give the same events for the same inputs
// on every machine.
const coreRoom = "peak"

// coreImports are all the packages that the core may use. None of them does
// I/O, knows chance or a map's order.
var coreImports = []string{"cmp", "errors", "iter", "math/big", "math/bits", "slices", "strconv", "strings", "time"}

// coreTime is all that the core may use of package time: durations, no clock.
var coreTime = []string{"Duration", "Nanosecond", "Microsecond", "Millisecond", "Second", "Minute", "Hour", "ParseDuration"}

func TestCoreIsPure(t *testing.T) {
	files := house(t)
	if !slices.ContainsFunc(files, inCore) {
		t.Fatalf("no source of %s found", coreRoom)
	}
	reportFaults(t, coreFaults(files))
}

func TestCoreRuleIsStrict(t *testing.T) {
	in := func(text string) string { return "package peak; " + text }
	showSamples(t, coreFaults, []sample{
		{"peak/a.go", in(`import "time"; const d = 2 * time.Second; func f(d time.Duration) float64 { return d.Seconds() }`), ""},
		{"peak/a.go", in(`import "time"; func f(d time.Duration) int64 { return d.Milliseconds() + int64(1.5e3*time.Second) }`), ""},
		{"peak/a.go", in(`var m = map[string]int{"a": 1}; func f(s string) int { return m[s] }`), ""},
		{"peak/a_test.go", in(`import "os"; func f() { go os.Getpid() }`), ""},
		{"config/a.go", `package config; import "os"; func f() { go os.Getpid() }`, ""},
		{"peak/a.go", in(`import "os"; func f() int { return os.Getpid() }`), "must not import os"},
		{"peak/a.go", in(`import . "strings"; var f = ToUpper`), "must not import strings as ."},
		{"peak/a.go", in(`import "time"; var t time.Time`), "time.Time"},
		{"peak/a.go", in(`import clock "time"; func f() { clock.Sleep(1) }`), "time.Sleep"},
		{"peak/a.go", in(`func f() { go f() }`), "go statement"},
		{"peak/a.go", in(`func f() { select {} }`), "select"},
		{"peak/a.go", in(`var c chan int`), "channel"},
		{"peak/a.go", in(`type m map[int]int; func f(x m) { for range x { } }`), "order of a map"},
		{"peak/a.go", in(`func f(x float64) float64 { return x * 2 }`), "not exact"},
		{"peak/a.go", in(`func f(x float32) float32 { x += 2; return x }`), "not exact"},
		{"peak/a.go", in(`func f(x int) float64 { return float64(x) }`), "not exact"},
		{"peak/a.go", in(`type big float64; func f(x big) int { return int(x) }`), "not exact"},
		{"peak/a.go", in(`func f(x, y complex128) bool { return x == y }`), "not exact"},
		{"peak/a.go", in(`func f() { undefined() }`), "undefined: undefined"},
		{"peak/a_arm64.go", in(`var a int`), "not the same on every machine"},
		{"peak/a.go", "//go:build arm64\n\n" + in(`var a int`), "not the same on every machine"},
	})
}

// coreFaults finds what could make the core give other events for the same
// inputs, or wait, or look at the world.
func coreFaults(files []sourceFile) []string {
	var faults []string
	var core []sourceFile
	for _, f := range files {
		if inCore(f) {
			core = append(core, f)
			faults = append(faults, coreImportFaults(f)...)
			faults = append(faults, coreSyntaxFaults(f)...)
			faults = append(faults, coreMachineFaults(f)...)
		}
	}
	if len(core) == 0 || len(faults) > 0 {
		return faults
	}
	return coreTypeFaults(core)
}

// The rooms inside the core's room work on what it found, outside the stream.
func inCore(f sourceFile) bool {
	return !f.isTest() && f.room() == coreRoom
}

func coreImportFaults(f sourceFile) []string {
	var faults []string
	for _, spec := range f.syntax.Imports {
		name, _ := strconv.Unquote(spec.Path.Value)
		switch {
		case !slices.Contains(coreImports, name):
			faults = append(faults, fmt.Sprintf("%s: the core must not import %s", f.at(spec.Pos()), name))
		case spec.Name != nil && spec.Name.Name == ".":
			faults = append(faults, fmt.Sprintf("%s: the core must not import %s as .", f.at(spec.Pos()), name))
		}
	}
	return faults
}

func coreSyntaxFaults(f sourceFile) []string {
	var faults []string
	fault := func(node ast.Node, what string) {
		faults = append(faults, fmt.Sprintf("%s: %s in the core", f.at(node.Pos()), what))
	}
	clock := localName(f, "time")
	ast.Inspect(f.syntax, func(node ast.Node) bool {
		switch n := node.(type) {
		case *ast.GoStmt:
			fault(n, "a go statement")
		case *ast.SelectStmt:
			fault(n, "a select statement")
		case *ast.ChanType:
			fault(n, "a channel")
		case *ast.SelectorExpr:
			of, ok := n.X.(*ast.Ident)
			if ok && clock != "" && of.Name == clock && !slices.Contains(coreTime, n.Sel.Name) {
				fault(n, "time."+n.Sel.Name)
			}
		}
		return true
	})
	return faults
}

// localName returns the name by which a file calls an imported package, or "".
func localName(f sourceFile, imported string) string {
	for _, spec := range f.syntax.Imports {
		if name, _ := strconv.Unquote(spec.Path.Value); name != imported {
			continue
		}
		if spec.Name != nil {
			return spec.Name.Name
		}
		return path.Base(imported)
	}
	return ""
}

// coreMachineFaults finds files that only some machines compile, by their name
// or by a constraint: a machine that nobody uses here must compile them all.
func coreMachineFaults(f sourceFile) []string {
	strange := build.Context{GOOS: "plan9", GOARCH: "s390x", Compiler: "gc"}
	strange.OpenFile = func(string) (io.ReadCloser, error) {
		return io.NopCloser(strings.NewReader(f.text)), nil
	}
	compiled, err := strange.MatchFile(path.Split(f.path))
	if err != nil || !compiled || strings.Contains(f.text, "//go:build") {
		return []string{fmt.Sprintf("%s: the core is not the same on every machine", f.path)}
	}
	return nil
}

// standardLibrary imports packages of the standard library from their source.
var standardLibrary = sync.OnceValue(func() types.Importer {
	return importer.ForCompiler(token.NewFileSet(), "source", nil)
})

// coreTypeFaults finds calculations that are not exact and loops over maps. A
// fraction may be handed out for show, and constants may have fractions: the
// compiler calculates with them exactly.
func coreTypeFaults(core []sourceFile) []string {
	var faults []string
	var syntax []*ast.File
	for _, f := range core {
		syntax = append(syntax, f.syntax)
	}
	info := types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	checker := types.Config{Importer: standardLibrary(), Error: func(err error) {
		faults = append(faults, err.Error())
	}}
	if _, err := checker.Check(module+"/"+coreRoom, core[0].position, syntax, &info); err != nil {
		return faults
	}
	for _, f := range core {
		ast.Inspect(f.syntax, func(node ast.Node) bool {
			if loop, ok := node.(*ast.RangeStmt); ok && isMap(info.Types[loop.X].Type) {
				faults = append(faults, fmt.Sprintf("%s: the order of a map is chance", f.at(loop.Pos())))
			}
			if slices.ContainsFunc(operands(node, info), func(e ast.Expr) bool { return inexact(info.Types[e]) }) {
				faults = append(faults, fmt.Sprintf("%s: a calculation that is not exact", f.at(node.Pos())))
			}
			return true
		})
	}
	return faults
}

// operands returns what a node calculates with: both sides of an operator, or
// the two types of a conversion.
func operands(node ast.Node, info types.Info) []ast.Expr {
	switch n := node.(type) {
	case *ast.BinaryExpr:
		return []ast.Expr{n.X, n.Y}
	case *ast.UnaryExpr:
		return []ast.Expr{n.X}
	case *ast.IncDecStmt:
		return []ast.Expr{n.X}
	case *ast.AssignStmt:
		if n.Tok != token.ASSIGN && n.Tok != token.DEFINE {
			return append(n.Lhs, n.Rhs...)
		}
	case *ast.CallExpr:
		if info.Types[n.Fun].IsType() {
			return append([]ast.Expr{n}, n.Args...)
		}
	}
	return nil
}

// inexact reports whether a value is known only when the program runs and may
// have been rounded.
func inexact(value types.TypeAndValue) bool {
	if !value.IsValue() || value.Value != nil {
		return false
	}
	basic, ok := value.Type.Underlying().(*types.Basic)
	return ok && basic.Info()&(types.IsFloat|types.IsComplex) != 0
}

func isMap(t types.Type) bool {
	if t == nil {
		return false
	}
	_, ok := t.Underlying().(*types.Map)
	return ok
}
