package certificate

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"iter"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

var update = flag.Bool("update", false, "write the golden files anew; look at every difference")

const data = "../../testdata/certificate/"

// The journals of testdata: of an older version, and of a verified bench.
const (
	older    = "journal"
	verified = "verified"
)

// journalOf is the journal that holds a test: jobs from j-201 on are the verified bench's.
func journalOf(test string) string {
	if strings.HasPrefix(test, "j-2") {
		return verified
	}
	return older
}

// records reads the older journal of testdata with nothing but a JSON parser.
func records(t testing.TB) []publish.Record { return recordsIn(t, older) }

func recordsIn(t testing.TB, journal string) []publish.Record {
	t.Helper()
	text, err := os.ReadFile(data + journal + "/000000000001.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	var out []publish.Record
	for line := range bytes.Lines(text) {
		line = bytes.TrimSuffix(line, []byte("\n"))
		var e struct {
			ID, Source, Type string
			Time             time.Time
			Data             json.RawMessage
		}
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		out = append(out, publish.Record{
			Event: publish.Event{Type: e.Type, Time: e.Time, Data: e.Data}, Number: uint64(len(out) + 1), ID: e.ID, Source: e.Source, Line: line,
		})
	}
	return out
}

func sequence(records []publish.Record) iter.Seq2[publish.Record, error] {
	return func(yield func(publish.Record, error) bool) {
		for _, r := range records {
			if !yield(r, nil) {
				return
			}
		}
	}
}

func evidence(t testing.TB, test string) *Evidence {
	t.Helper()
	e, err := Find(sequence(recordsIn(t, journalOf(test))), test)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// traces reads the traces of a test with nothing but a CSV parser.
func traces(t testing.TB, e *Evidence) map[int64][]peak.Reading {
	t.Helper()
	out := map[int64][]peak.Reading{}
	for pull, trace := range e.Traces {
		f, err := os.Open(filepath.Join(data, journalOf(e.Test.Job.ID), trace.Name))
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(f).ReadAll()
		if err = errors.Join(err, f.Close()); err != nil {
			t.Fatal(err)
		}
		for _, row := range rows[1:] {
			r := peak.Reading{At: time.Duration(thousandths(t, row[0]) * int64(time.Millisecond))}
			if row[3] == "" {
				r.Force = peak.Force(thousandths(t, row[1]))
			} else {
				r.Quality = peak.Timeout
			}
			out[pull] = append(out[pull], r)
		}
	}
	return out
}

// thousandths reads a decimal number with at most three decimals.
func thousandths(t testing.TB, s string) int64 {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok || !r.Mul(r, big.NewRat(1000, 1)).IsInt() {
		t.Fatalf("%q is no number of thousandths", s)
	}
	return r.Num().Int64()
}

// setup is what the config in testdata says.
func options() Options {
	return Options{
		Loft: Loft{Name: "Harbour lifting-gear loft", Address: []string{"Slipway 4", "South Quay"}, Contact: "loft@south-quay.example"},
		Setup: Setup{
			Digest: "", Capacity: 250 * peak.Kilonewton, Division: 50 * peak.Newton,
			LoadEvery: 20 * time.Millisecond, PressureEvery: 100 * time.Millisecond,
		},
		Units: Units{Force: peak.UnitKN, Pressure: peak.UnitBar, Both: true}, Paper: A4,
	}
}

// paper makes the certificate of a test of the journal, with the config that
// the test was made with.
func paper(t testing.TB, test string) *Certificate {
	t.Helper()
	e := evidence(t, test)
	o := options()
	o.Setup.Digest = e.Runs[0].ConfigDigest
	if journalOf(test) == verified {
		o.Setup = verifiedSetup()
	}
	return New(e, traces(t, e), o)
}

// verifiedSetup is what the parameters on record of the verified bench say.
func verifiedSetup() Setup {
	return Setup{
		Recorded: true, Capacity: 250 * peak.Kilonewton, Division: 50 * peak.Newton, Serial: "LC-250-17",
		Ranges: []peak.Range{
			{Name: "low", UpTo: 50 * peak.Kilonewton, Division: 10 * peak.Newton}, {Name: "high", UpTo: 250 * peak.Kilonewton, Division: 50 * peak.Newton},
		},
		LoadEvery: 20 * time.Millisecond, PressureEvery: 100 * time.Millisecond,
	}
}

// printed is a paper.
type printed interface {
	HTML(w io.Writer) error
	PDF(w io.Writer) error
}

func htmlOf(t testing.TB, c printed) string {
	t.Helper()
	var b bytes.Buffer
	if err := c.HTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// pdfOf writes the PDF to a file of its own.
func pdfOf(t testing.TB, c printed) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "certificate.pdf")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.PDF(f), f.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

// poppler runs a program of poppler, which reads PDF independently of us.
func poppler(t testing.TB, program string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		t.Skipf("%s is not there: apt-get install -y poppler-utils", program)
	}
	var errs bytes.Buffer
	c := exec.Command(path, args...)
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s %v: %v: %s", program, args, err, errs.String())
	}
	if errs.Len() > 0 {
		t.Errorf("%s %v: %s", program, args, errs.String())
	}
	return string(out)
}

// textOf is the text of a PDF with all white space as single blanks.
func textOf(t testing.TB, path string) string {
	t.Helper()
	return strings.Join(strings.Fields(poppler(t, "pdftotext", "-layout", path, "-")), " ")
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(data+name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(data + name)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs", name)
	}
}
