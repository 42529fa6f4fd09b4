package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/certificate"
	"thimbled/publish/journal"
)

// The kinds of paper.
const (
	formatHTML = "html"
	formatPDF  = "pdf"
)

const (
	paperArgs       = "[-o F.pdf|F.html] [--format pdf|html] [--config F] [--units both|show] [--paper A4|Letter] [--sign [--key F]]"
	certificateArgs = "DIR TEST " + paperArgs
)

// paperKind is a kind of paper that a command makes of a journal.
type paperKind struct {
	name, args string
	needs      string // what to say when a word is missing
	// make returns the paper that a word names. That there is none is an error for
	// which isNone is true.
	make   func(ctx context.Context, dir, word string, o certificate.Options) (paper, error)
	isNone func(error) bool
}

// paper is one that can be printed.
type paper interface {
	HTML(w io.Writer) error
	PDF(w io.Writer) error
}

// paperFlags are the flags of the commands that make papers.
type paperFlags struct {
	to, format, config, units, paper string
	sign                             signFlags
}

func certificateCommand(ctx context.Context, out streams, args []string) error {
	return paperCommand(ctx, out, args, paperKind{
		name: "certificate", args: certificateArgs, make: makeCertificateOf,
		needs:  "need the folder of a journal and a test: its job's id, or the number of the record that ended it",
		isNone: func(err error) bool { return errors.As(err, new(*certificate.NotFoundError)) },
	})
}

// paperCommand makes one paper of a journal.
func paperCommand(ctx context.Context, out streams, args []string, kind paperKind) error {
	f := flags(out, kind.name, kind.args)
	var c paperFlags
	f.StringVar(&c.to, "o", "-", "the `file` to write; - is standard output")
	f.StringVar(&c.format, "format", "", "`pdf` or html; by default as the file's name ends, else html")
	f.StringVar(&c.config, "config", "", "the bench's config `file`, for the loft's name and address and the unit to show")
	f.StringVar(&c.units, "units", "both", "`both` systems of units, or only the one that the bench shows")
	f.StringVar(&c.paper, "paper", "", "the `size` of the paper, A4 or Letter; by default as the config says, else A4")
	c.sign.add(f)
	words, err := parseWords(f, args)
	if err != nil {
		return err
	}
	if len(words) != 2 {
		return usageError{errors.New(kind.needs)}
	}
	if err := c.check(); err != nil {
		return err
	}
	options, err := c.options()
	if err != nil {
		return err
	}
	key, err := c.sign.read(c.config)
	if err != nil {
		return err
	}
	made, err := kind.make(ctx, words[0], words[1], options)
	if kind.isNone(err) {
		fmt.Fprintln(out.err, "no:", err)
		return errNo
	}
	if err != nil {
		return err
	}
	body, err := c.print(made)
	if err != nil {
		return err
	}
	if err := c.write(out.out, body); err != nil {
		return err
	}
	return writeSignature(key, c.to, body)
}

// parseWords is parseMixed, but takes what stands behind -- for words as they are.
func parseWords(f *flag.FlagSet, args []string) ([]string, error) {
	end := slices.Index(args, "--")
	if end < 0 {
		return parseMixed(f, args)
	}
	words, err := parseMixed(f, args[:end])
	return append(words, args[end+1:]...), err
}

// check completes the flags.
func (c *paperFlags) check() error {
	ending := strings.ToLower(strings.TrimPrefix(filepath.Ext(c.to), "."))
	switch {
	case c.format == "" && c.to == "-":
		c.format = formatHTML
	case c.format == "" && ending == "htm":
		c.format = formatHTML
	case c.format == "":
		c.format = ending
	}
	switch {
	case c.to == "":
		return usagef("-o needs the name of a file")
	case c.format != formatHTML && c.format != formatPDF:
		return usagef("a paper is pdf or html, not %q", c.format)
	case c.units != "both" && c.units != "show":
		return usagef("--units must be both or show, not %q", c.units)
	case c.paper != "" && c.paper != string(config.A4) && c.paper != string(config.Letter):
		return usagef("--paper must be A4 or Letter, not %q", c.paper)
	}
	return c.sign.check(c.to)
}

// options are what the config says, and without one what most people expect.
func (c *paperFlags) options() (certificate.Options, error) {
	o := certificate.Options{
		Units: certificate.Units{Force: peak.UnitKN, Pressure: peak.UnitBar, Both: c.units == "both"}, Paper: certificate.A4,
	}
	if c.config != "" {
		b, err := loadConfig(c.config)
		if err != nil {
			return o, err
		}
		o.Loft = certificate.Loft{Name: b.Loft.Name, Address: b.Loft.Address, Contact: b.Loft.Contact}
		o.Setup = certificate.Setup{Digest: b.Digest, Capacity: b.Bench.Capacity, Division: b.Bench.Division, LoadEvery: b.Load.Every, Ranges: b.Settings().Ranges, Serial: b.Load.Serial}
		o.Units.Force, o.Paper = b.Bench.Show, certificate.Paper(b.Loft.Paper)
		if b.Pressure != nil {
			o.Units.Pressure, o.Setup.PressureEvery = b.Pressure.Unit, b.Pressure.Every
		}
	}
	if c.paper != "" {
		o.Paper = certificate.Paper(c.paper)
	}
	return o, nil
}

// makeCertificateOf makes the certificate of a test from nothing but the journal.
func makeCertificateOf(ctx context.Context, dir, test string, o certificate.Options) (paper, error) {
	e, err := certificate.Find(until(ctx, journal.Records(dir)), test)
	if err != nil {
		return nil, err
	}
	o.Setup = setupOnRecord(e.Parameters, o.Setup)
	traces, err := sealedTraces(dir, e)
	if err != nil {
		return nil, fmt.Errorf("no certificate of %s: %w", e.Test.Job.ID, err)
	}
	return certificate.New(e, traces, o), nil
}

func (c *paperFlags) print(p paper) ([]byte, error) {
	var b bytes.Buffer
	to := p.HTML
	if c.format == formatPDF {
		to = p.PDF
	}
	err := to(&b)
	return b.Bytes(), err
}

// until ends a sequence of records when the context ends.
func until(ctx context.Context, records iter.Seq2[publish.Record, error]) iter.Seq2[publish.Record, error] {
	return func(yield func(publish.Record, error) bool) {
		for r, err := range records {
			if err == nil {
				err = ctx.Err()
			}
			if !yield(r, err) || err != nil {
				return
			}
		}
	}
}

// sealedTraces reads the traces of a test's pulls, each only if it is what the
// record of the test says.
func sealedTraces(dir string, e *certificate.Evidence) (map[int64][]peak.Reading, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	out := map[int64][]peak.Reading{}
	for pull, trace := range e.Traces {
		if _, gone := e.Removed[pull]; gone {
			continue
		}
		if out[pull], err = sealedTrace(root, trace); err != nil {
			return nil, fmt.Errorf("pull %d: record %d names %s: %w", pull, e.Record.Number, trace.Name, err)
		}
	}
	return out, nil
}

func sealedTrace(root *os.Root, t publish.Trace) ([]peak.Reading, error) {
	f, err := root.Open(filepath.FromSlash(t.Name))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	digest := sha256.New()
	from := io.TeeReader(f, digest)
	out, wrong := readingsOf(from)
	if _, err := io.Copy(io.Discard, from); err != nil {
		return nil, err
	}
	if hex.EncodeToString(digest.Sum(nil)) != t.SHA256 {
		return nil, errors.Join(errors.New("it does not agree with its SHA-256 in the record; thimbled audit says more"), wrong)
	}
	return out, wrong
}

func readingsOf(from io.Reader) ([]peak.Reading, error) {
	r, err := journal.NewTraceReader(from)
	if err != nil {
		return nil, err
	}
	var out []peak.Reading
	err = eachReading(r, func(x *peak.Reading) error {
		out = append(out, *x)
		return nil
	})
	return out, err
}

func (c *paperFlags) write(w io.Writer, body []byte) error {
	if c.to == "-" {
		_, err := w.Write(body)
		return err
	}
	if err := os.WriteFile(c.to, body, 0o644); err != nil {
		return fmt.Errorf("write paper: %w", err)
	}
	return nil
}
