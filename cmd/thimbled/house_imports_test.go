package main_test

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// module is the import path of the top of the tree.
const module = "thimbled"

// roomImports says which of our rooms a room may import. "x/..." stands for all
// rooms inside x. Each room inside acquire and publish stands alone.
var roomImports = map[string][]string{
	"peak":         {},
	"peak/...":     {"peak"},
	"config":       {"peak", "config/..."},
	"config/near":  {},
	"config/rules": {"peak", "config/near"},
	"acquire":      {"peak", "acquire/..."},
	"acquire/...":  {"peak"},
	"publish":      {"peak"},
	"publish/...":  {"peak", "peak/...", "publish"},
	"systemd":      {},
	"cmd/thimbled": {"peak", "peak/...", "config", "config/...", "acquire", "acquire/...", "publish", "publish/..."},
}

// testImports says what a room's tests may import beyond that and the room
// itself: the simulated bench is there to be read by real code.
var testImports = map[string][]string{
	"acquire/...": {"acquire/..."},
}

// door says which rooms may import a module that is not ours; their tests may
// too. Each entry must be in use by more than tests.
type door struct {
	module string
	rooms  []string
	// peers are rooms whose tests alone may use it, as something to check
	// their own results against.
	peers []string
}

var doors = []door{
	{module: "codeberg.org/go-pdf/fpdf", rooms: []string{"publish/certificate"}},
	{module: "github.com/coreos/go-systemd/v22", rooms: []string{"cmd/thimbled"}},
	{module: "github.com/creack/pty", rooms: []string{"acquire/bench"}},
	{module: "github.com/goburrow/modbus", rooms: []string{"acquire/modbus"}},
	{module: "github.com/nats-io/nats-server/v2", rooms: []string{"publish/nats"}},
	{module: "github.com/nats-io/nats.go", rooms: []string{"publish/nats"}},
	{module: "github.com/nats-io/nkeys", rooms: []string{"publish/nats"}},
	{module: "github.com/pelletier/go-toml/v2", rooms: []string{"config"}},
	{module: "github.com/prometheus/client_golang", rooms: []string{"publish/metrics"}},
	{module: "go.bug.st/serial", rooms: []string{"acquire/serialport"}},
	{module: "golang.org/x/image", rooms: []string{"publish/certificate"}},
	{module: "golang.org/x/crypto", rooms: []string{"publish/seal"}},
	{module: "golang.org/x/mod", rooms: []string{"publish/seal"}},
	{module: "golang.org/x/sys", rooms: []string{"acquire/serialport", "cmd/thimbled", "publish/journal"}, peers: []string{"acquire", "acquire/modbus"}},
	{module: "gonum.org/v1/gonum", rooms: []string{"peak/calibrate"}, peers: []string{"peak/decision"}},
}

func TestRoomsImportWhatTheyMay(t *testing.T) {
	files := house(t)
	reportFaults(t, roomFaults(files))
	reportFaults(t, unusedRows(files))
}

func TestRowWithoutRoomIsFound(t *testing.T) {
	if got, want := len(unusedRows(nil)), len(roomImports); got != want {
		t.Errorf("without source %d rows are unused, want all %d", got, want)
	}
}

func TestRoomRuleIsStrict(t *testing.T) {
	showSamples(t, roomFaults, []sample{
		{"config/a.go", `package config; import _ "thimbled/peak"`, ""},
		{"cmd/thimbled/a.go", `package main; import _ "thimbled/publish/nats"`, ""},
		{"acquire/a.go", `package acquire; import _ "thimbled/acquire/text"`, ""},
		{"acquire/modbus/a_test.go", `package modbus_test; import _ "thimbled/acquire/bench"`, ""},
		{"peak/a_test.go", `package peak_test; import _ "thimbled/peak"`, ""},
		{"peak/a.go", `package peak; import _ "thimbled/config"`, "peak/a.go:1:22: peak must not import config"},
		{"acquire/modbus/a.go", `package modbus; import _ "thimbled/acquire/bench"`, "must not import acquire/bench"},
		{"publish/nats/a.go", `package nats; import _ "thimbled/publish/journal"`, "must not import publish/journal"},
		{"publish/nats/a_test.go", `package nats; import _ "thimbled/publish/journal"`, "must not import publish/journal"},
		{"publish/a.go", `package publish; import _ "thimbled/acquire"`, "must not import acquire"},
		{"config/a.go", `package config; import _ "thimbled/cmd/thimbled"`, "must not import cmd/thimbled"},
		{"systemd/inner/a.go", `package inner`, "systemd/inner has no row"},
	})
}

func TestEachDependencyHasOneDoor(t *testing.T) {
	files := house(t)
	reportFaults(t, doorFaults(files))
	goMod, err := os.ReadFile(filepath.Join(top, "go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	reportFaults(t, requirementFaults(string(goMod)))
	reportFaults(t, unusedDoors(files))
}

func TestDoorRuleIsStrict(t *testing.T) {
	showSamples(t, doorFaults, []sample{
		{"config/a.go", `package config; import _ "github.com/pelletier/go-toml/v2"`, ""},
		{"config/a_test.go", `package config; import _ "github.com/pelletier/go-toml/v2/unstable"`, ""},
		{"config/a.go", `package config; import _ "golang.org/x/sys/unix"`, "config must not import golang.org/x/sys/unix"},
		{"cmd/thimbled/a.go", `package main; import _ "github.com/nats-io/nats.go"`, "cmd/thimbled must not import"},
		{"cmd/thimbled/a_test.go", `package main; import _ "github.com/nats-io/nats.go"`, "cmd/thimbled must not import"},
		{"config/a.go", `package config; import _ "example.org/new"`, "example.org/new has no door"},
		{"config/a.go", `package config; import _ "github.com/pelletier/go-toml/v22"`, "has no door"},
		{"config/a.go", `package config; import "C"`, `import "C"`},
	})
}

func TestRequirementRuleIsStrict(t *testing.T) {
	var all strings.Builder
	for _, d := range doors {
		fmt.Fprintf(&all, "require %s v1.0.0\n", d.module)
	}
	grouped := "require (\n\tgithub.com/beorn7/perks v1.0.1 // indirect\n)\n"
	if faults := requirementFaults(all.String() + grouped); len(faults) > 0 {
		t.Errorf("a full go.mod was found at fault: %q", faults)
	}
	faults := requirementFaults(all.String() + "require (\n\texample.org/new v1.0.0\n)\n")
	if len(faults) != 1 || !strings.Contains(faults[0], "example.org/new has no door") {
		t.Errorf("a module without a door gave %q", faults)
	}
	_, cut, _ := strings.Cut(all.String(), "\n")
	faults = requirementFaults(cut)
	if len(faults) != 1 || !strings.Contains(faults[0], doors[0].module) {
		t.Errorf("a door without its module gave %q", faults)
	}
}

func TestUnusedDoorIsFound(t *testing.T) {
	want := 0
	for _, d := range doors {
		want += len(d.rooms)
	}
	if got := len(unusedDoors(nil)); got != want {
		t.Errorf("without source %d doors are unused, want all %d", got, want)
	}
}

// roomFaults finds imports of ours that cross the house the wrong way.
func roomFaults(files []sourceFile) []string {
	var faults []string
	for _, f := range files {
		allowed, ok := rowOf(roomImports, f.room())
		if !ok {
			faults = append(faults, fmt.Sprintf("%s: %s has no row in roomImports", f.path, f.room()))
			continue
		}
		if f.isTest() {
			more, _ := rowOf(testImports, f.room())
			allowed = slices.Concat(allowed, more, []string{f.room()})
		}
		for imported, at := range importsOf(f) {
			room, ours := strings.CutPrefix(imported, module+"/")
			if ours && !listed(allowed, room) {
				faults = append(faults, fmt.Sprintf("%s: %s must not import %s", at, f.room(), room))
			}
		}
	}
	return faults
}

// unusedRows finds rows of the table of rooms that are no room's.
func unusedRows(files []sourceFile) []string {
	var faults []string
	for _, row := range slices.Sorted(maps.Keys(roomImports)) {
		if !slices.ContainsFunc(files, func(f sourceFile) bool { return listed([]string{row}, f.room()) }) {
			faults = append(faults, fmt.Sprintf("the row of %s in roomImports is no room's", row))
		}
	}
	return faults
}

// doorFaults finds imports of others' modules outside their door.
func doorFaults(files []sourceFile) []string {
	var faults []string
	for _, f := range files {
		for imported, at := range importsOf(f) {
			if imported == "C" {
				faults = append(faults, fmt.Sprintf(`%s: import "C" needs a C compiler to build`, at))
			}
			first, _, _ := strings.Cut(imported, "/")
			if !strings.Contains(first, ".") {
				continue
			}
			if d, ok := doorOf(imported); !ok {
				faults = append(faults, fmt.Sprintf("%s: %s has no door", at, imported))
			} else if !slices.Contains(d.rooms, f.room()) && !(f.isTest() && slices.Contains(d.peers, f.room())) {
				faults = append(faults, fmt.Sprintf("%s: %s must not import %s", at, f.room(), imported))
			}
		}
	}
	return faults
}

// requirementFaults compares the doors with what go.mod requires directly.
func requirementFaults(goMod string) []string {
	var faults []string
	required := map[string]bool{}
	for line := range strings.Lines(goMod) {
		fields := strings.Fields(strings.TrimPrefix(line, "require"))
		if len(fields) < 2 || !strings.HasPrefix(fields[1], "v") || strings.Contains(line, "// indirect") {
			continue
		}
		required[fields[0]] = true
		if !slices.ContainsFunc(doors, func(d door) bool { return d.module == fields[0] }) {
			faults = append(faults, fmt.Sprintf("go.mod: %s has no door", fields[0]))
		}
	}
	for _, d := range doors {
		if !required[d.module] {
			faults = append(faults, fmt.Sprintf("go.mod: %s has a door and is not required", d.module))
		}
	}
	return faults
}

// unusedDoors finds entries of the table of doors that nothing uses.
func unusedDoors(files []sourceFile) []string {
	type use struct{ module, room string }
	used := map[use]bool{}
	for _, f := range files {
		if f.isTest() {
			continue
		}
		for imported := range importsOf(f) {
			if d, ok := doorOf(imported); ok {
				used[use{d.module, f.room()}] = true
			}
		}
	}
	var faults []string
	for _, d := range doors {
		for _, room := range d.rooms {
			if !used[use{d.module, room}] {
				faults = append(faults, fmt.Sprintf("the door of %s in %s is not used", d.module, room))
			}
		}
	}
	return faults
}

// importsOf returns what a file imports and where.
func importsOf(f sourceFile) map[string]string {
	imports := map[string]string{}
	for _, spec := range f.syntax.Imports {
		name, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			panic(err) // the parser has read it as a string
		}
		imports[name] = f.at(spec.Pos())
	}
	return imports
}

func doorOf(imported string) (door, bool) {
	for _, d := range doors {
		if imported == d.module || strings.HasPrefix(imported, d.module+"/") {
			return d, true
		}
	}
	return door{}, false
}

// rowOf finds a room's row, by its own name or by "x/..." for the room around it.
func rowOf(table map[string][]string, room string) ([]string, bool) {
	for _, key := range slices.Sorted(maps.Keys(table)) {
		if listed([]string{key}, room) {
			return table[key], true
		}
	}
	return nil, false
}

func listed(names []string, room string) bool {
	return slices.ContainsFunc(names, func(name string) bool {
		around, inside := strings.CutSuffix(name, "...")
		return name == room || inside && strings.HasPrefix(room, around)
	})
}
