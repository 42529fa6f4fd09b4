package config

import (
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"thimbled/peak"
)

var rewrite = flag.Bool("rewrite", false, "write golden files anew; explain every difference")

// golden compares with a file. A file that is not there fails.
func golden(t *testing.T, path, got string) {
	t.Helper()
	if *rewrite {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs, got:\n%s", path, got)
	}
}

func files(t *testing.T, glob string) []string {
	t.Helper()
	paths, err := filepath.Glob(glob)
	if err != nil || len(paths) == 0 {
		t.Fatalf("no files %s: %v", glob, err)
	}
	return paths
}

// Every problem of a bad file is told, with its place, in the order of the file.
func TestBadFilesTellEveryProblem(t *testing.T) {
	for _, path := range files(t, "testdata/bad/*.toml") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			cfg, err := Parse(filepath.Base(path), data)
			var problems Problems
			if cfg != nil || !errors.As(err, &problems) {
				t.Fatalf("config %v, error %v", cfg, err)
			}
			golden(t, strings.TrimSuffix(path, ".toml")+".err", problems.Error()+"\n")
		})
	}
}

// What is allowed but doubtful is told as a warning, and what a config means in
// sentences.
func TestWarningsAndMeaning(t *testing.T) {
	for _, path := range files(t, "testdata/warn/*.toml") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			cfg, err := Parse(filepath.Base(path), data)
			if err != nil {
				t.Fatal(err)
			}
			golden(t, strings.TrimSuffix(path, ".toml")+".txt", cfg.Warnings.Error()+"\n\n"+cfg.Describe())
		})
	}
}

// The example is the one that the project shows everywhere.
func TestExample(t *testing.T) {
	cfg, err := Load("dock-3.toml")
	if err != nil {
		t.Fatal(err)
	}
	if len(cfg.Warnings) > 0 {
		t.Errorf("the example has warnings:\n%v", cfg.Warnings)
	}
	golden(t, "testdata/dock-3.txt", cfg.Describe())
	want := &Config{
		Bench: Bench{ID: "dock-3", Capacity: 250 * peak.Kilonewton, Division: 50 * peak.Newton, Show: peak.UnitKN, Travel: 8 * peak.Metre},
		Lines: []Line{{Name: "rs485", Kind: RTU, Device: "/dev/serial/by-id/usb-adapter-port0",
			Baud: 19200, DataBits: 8, Parity: EvenParity, StopBits: 1, Echo: EchoAuto, WorstAnswer: 500 * time.Millisecond}},
		Load: Indicator{
			Instrument: Instrument{Line: "rs485", Every: 20 * time.Millisecond, Timeout: 100 * time.Millisecond,
				Scale: 1, UnitID: 1, Table: Input, Type: Float32, Order: ABCD},
			Unit: peak.UnitKN, Lowest: -25 * peak.Kilonewton, Highest: 275 * peak.Kilonewton,
		},
		Pressure: &Transducer{
			Instrument: Instrument{Line: "rs485", Every: 100 * time.Millisecond, Timeout: 100 * time.Millisecond,
				Scale: 0.01, UnitID: 2, Table: Input, Type: Uint16, Order: ABCD},
			Unit: peak.UnitBar,
		},
		Capture: peak.Capture{StartAbove: 5 * peak.Kilonewton, EndBelow: peak.Kilonewton, EndAfter: time.Second,
			MaxGap: 150 * time.Millisecond, SuddenLoss: 20 * peak.Percent, SuddenLossWithin: 100 * time.Millisecond},
		Zero: peak.Zeroing{TrackWithin: 25 * peak.Newton, Rate: 25 * peak.Newton, Range: 10 * peak.Kilonewton,
			Motion: 50 * peak.Newton, Settle: time.Second, ShiftLimit: 250 * peak.Newton, PressurisedAbove: 5 * peak.Bar},
		Cylinder: peak.Known(peak.Cylinder{
			Bore: 200 * peak.Millimetre, Rod: 110 * peak.Millimetre, Friction: 5 * peak.Percent,
			SealFriction: 2500 * peak.Newton, ReadingError: 2500 * peak.Newton, Unfollowed: peak.Bar / 2,
		}),
		Decision: Decision{Rule: peak.SimpleAcceptance},
		Journal:  Journal{Dir: "/var/lib/thimbled", SegmentSize: 16 << 20, MinFree: 256 << 20},
		Seal:     Seal{Origin: "thimbled/bench/dock-3"},
		NATS:     NATS{Listen: "127.0.0.1:4222", ReadingEvery: 50 * time.Millisecond},
		HTTP:     HTTP{Listen: "127.0.0.1:8040"},
		Loft: Loft{Name: "Harbour lifting-gear loft", Address: []string{"Slipway 4", "South Quay"},
			Contact: "loft@south-quay.example", Paper: A4},
		Path: "dock-3.toml", Digest: cfg.Digest, parameters: cfg.parameters,
	}
	if !reflect.DeepEqual(cfg, want) {
		t.Errorf("the example is\n%+v, want\n%+v", cfg, want)
	}
	if got := cfg.Settings(); got.Capture != want.Capture || got.Zero != want.Zero || got.Capacity != want.Bench.Capacity || got.Division != want.Bench.Division {
		t.Errorf("settings are %+v", got)
	}
}

// The digest is what sha256sum, a program that is not ours, says of the file.
func TestDigestIsThatOfTheFile(t *testing.T) {
	sha256sum, err := exec.LookPath("sha256sum")
	if err != nil {
		t.Skip("sha256sum is not there: install coreutils")
	}
	cfg, err := Load("dock-3.toml")
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(sha256sum, "dock-3.toml").Output()
	if err != nil || !strings.HasPrefix(string(out), cfg.Digest+" ") {
		t.Errorf("digest %s, sha256sum says %s, %v", cfg.Digest, out, err)
	}
}

const minimal = `
[bench]
id = "dock-3"
capacity = "250 kN"
[[line]]
name = "rs485"
kind = "rtu"
device = "/dev/serial/by-id/usb-adapter-port0"
[load]
line = "rs485"
`

func parse(t *testing.T, text string) *Config {
	t.Helper()
	cfg, err := Parse("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// Levels that the file leaves out follow the bench: the minimal config of the
// example's bench has the example's levels, and another bench others.
func TestDefaultsFollowTheBench(t *testing.T) {
	example, err := Load("dock-3.toml")
	if err != nil {
		t.Fatal(err)
	}
	if cfg := parse(t, minimal+"[cylinder]\nbore = \"200 mm\"\nrod = \"110 mm\"\n"); !reflect.DeepEqual(cfg.Settings(), example.Settings()) {
		t.Errorf("minimal config has the settings\n%+v, the example\n%+v", cfg.Settings(), example.Settings())
	}
	cfg := parse(t, strings.Replace(minimal, `"250 kN"`, "\"1 MN\"\ndivision = \"0.5 kN\"", 1)+`every = "200 ms"`)
	want := peak.Settings{
		Capacity: peak.Meganewton, Division: 500 * peak.Newton,
		Capture: peak.Capture{StartAbove: 20 * peak.Kilonewton, EndBelow: 4 * peak.Kilonewton, EndAfter: time.Second,
			MaxGap: 600 * time.Millisecond, SuddenLoss: 20 * peak.Percent, SuddenLossWithin: 400 * time.Millisecond},
		Zero: peak.Zeroing{TrackWithin: 250 * peak.Newton, Rate: 250 * peak.Newton, Range: 40 * peak.Kilonewton,
			Motion: 500 * peak.Newton, Settle: time.Second, ShiftLimit: peak.Kilonewton, PressurisedAbove: 5 * peak.Bar},
	}
	if !reflect.DeepEqual(cfg.Settings(), want) {
		t.Errorf("the settings of 1 MN are\n%+v, want\n%+v", cfg.Settings(), want)
	}
	if cfg.Load.Lowest != -100*peak.Kilonewton || cfg.Load.Highest != 1100*peak.Kilonewton {
		t.Errorf("plausible from %v to %v", cfg.Load.Lowest, cfg.Load.Highest)
	}
}

// TOML has several ways of writing the same.
func TestOtherWaysOfWriting(t *testing.T) {
	want := parse(t, minimal)
	for name, text := range map[string]string{
		"inline tables": `bench = { id = "dock-3", capacity = "250 kN" }
			line = [{ name = "rs485", kind = "rtu", device = "/dev/serial/by-id/usb-adapter-port0" }]
			load = { line = 'rs485' }`,
		"dotted keys": `bench.id = "dock-3"
			bench.capacity = "250 kN"
			load.line = "rs485"
			[[line]]
			name = "rs485"
			"kind" = """rtu"""
			device = "/dev/serial/by-id/usb-adapter-port0"`,
		"line ends of two characters": strings.ReplaceAll(minimal, "\n", "\r\n"),
		"byte order mark":             "\ufeff" + minimal,
		"another order":               "[load]\nline = \"rs485\"\n" + strings.Replace(minimal, "[load]\nline = \"rs485\"\n", "", 1),
	} {
		cfg, err := Parse("test.toml", []byte(text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		cfg.Digest, cfg.Warnings = want.Digest, want.Warnings
		if !reflect.DeepEqual(cfg, want) {
			t.Errorf("%s: got\n%+v, want\n%+v", name, cfg, want)
		}
	}
}

func TestColumnsCountCharacters(t *testing.T) {
	_, err := Parse("test.toml", []byte("bench = { id = \"düne\", capacity = 5 }\n"+minimal[strings.Index(minimal, "[[line]]"):]))
	if err == nil || !strings.Contains(err.Error(), "test.toml:1:35: bench.capacity: 5 has no unit") {
		t.Errorf("error %v", err)
	}
}

func TestLoadSaysWhatItCannotRead(t *testing.T) {
	if _, err := Load(filepath.Join(t.TempDir(), "none.toml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
	large := filepath.Join(t.TempDir(), "large.toml")
	if err := os.WriteFile(large, make([]byte, largestFile+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(large); !errors.Is(err, ErrTooLarge) {
		t.Errorf("a file that is too large: %v", err)
	}
	var problems Problems
	if _, err := Load("testdata/bad/empty.toml"); !errors.As(err, &problems) || problems[0].File != "testdata/bad/empty.toml" {
		t.Errorf("a bad file: %v", err)
	}
}

func TestFoldersComeFromTheEnvironment(t *testing.T) {
	env := func(value string) func(string) string {
		return func(name string) string {
			if name == "STATE_DIRECTORY" {
				return value
			}
			return ""
		}
	}
	plain := parse(t, minimal)
	written := parse(t, minimal+"[journal]\ndir = \"/srv/records\"\n")
	store := parse(t, minimal+"[nats]\nstore_dir = \"/srv/streams\"\n")
	for _, c := range []struct {
		cfg            *Config
		state          string
		journal, store string
	}{
		{plain, "", "thimbled-data", "thimbled-data/nats"},
		{plain, "/var/lib/thimbled", "/var/lib/thimbled", "/var/lib/thimbled/nats"},
		{plain, "/var/lib/thimbled:/var/lib/other", "/var/lib/thimbled", "/var/lib/thimbled/nats"},
		{written, "/var/lib/thimbled", "/srv/records", "/srv/records/nats"},
		{store, "/var/lib/thimbled", "/var/lib/thimbled", "/srv/streams"},
	} {
		if got := c.cfg.JournalDir(env(c.state)); got != c.journal {
			t.Errorf("journal in %s, want %s", got, c.journal)
		}
		if got := c.cfg.StoreDir(env(c.state)); got != c.store {
			t.Errorf("streams in %s, want %s", got, c.store)
		}
	}
}

// Parse never panics and gives either a config or problems that stand in the
// file.
func FuzzParse(f *testing.F) {
	for _, glob := range []string{"testdata/bad/*.toml", "testdata/warn/*.toml", "*.toml"} {
		paths, err := filepath.Glob(glob)
		if err != nil || len(paths) == 0 {
			f.Fatalf("no files %s: %v", glob, err)
		}
		for _, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		cfg, err := Parse("fuzz.toml", data)
		var problems Problems
		switch {
		case err == nil && cfg != nil:
			if cfg.Describe() == "" || len(cfg.Lines) == 0 {
				t.Fatalf("a config without lines: %+v", cfg)
			}
			return
		case cfg != nil || !errors.As(err, &problems) || len(problems) == 0:
			t.Fatalf("config %v, error %v", cfg, err)
		}
		lines := strings.Split(strings.TrimPrefix(string(data), "\ufeff"), "\n")
		for i, p := range problems {
			if p.Line < 1 || p.Line > len(lines) || p.Col < 1 || p.Col > utf8.RuneCountInString(lines[p.Line-1])+1 {
				t.Fatalf("there is no such place: %v", p)
			}
			if strings.ContainsAny(p.String(), "\n\r") || p.Text == "" {
				t.Fatalf("not one line: %q", p)
			}
			if i > 0 && (p.Line < problems[i-1].Line || p.Line == problems[i-1].Line && p.Col < problems[i-1].Col) {
				t.Fatalf("not sorted: %v", problems)
			}
		}
	})
}
