package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// demandFlags are the flags that make a requirement.
type demandFlags struct{ required, limit, hold, guard string }

func (d demandFlags) requirement(s peak.Settings) (peak.Maybe[peak.Requirement], error) {
	if d.required == "" {
		if d.limit+d.hold+d.guard != "" {
			return peak.Maybe[peak.Requirement]{}, usagef("--limit, --hold and --guard go with --required")
		}
		return peak.Maybe[peak.Requirement]{}, nil
	}
	var r peak.Requirement
	var errs []error
	read := func(flag, text string, set func(string) error) {
		if text == "" {
			return
		}
		if err := set(text); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", flag, err))
		}
	}
	read("required", d.required, func(t string) (err error) { r.Asked, err = peak.ParseForce(t); return })
	read("limit", d.limit, func(t string) (err error) { r.Limit.Known = true; r.Limit.Value, err = peak.ParseForce(t); return })
	read("hold", d.hold, func(t string) (err error) { r.Hold, err = peak.ParseDuration(t); return })
	read("guard", d.guard, func(t string) (err error) { r.Guard, err = peak.ParseRatio(t); return })
	if len(errs) == 0 {
		errs = append(errs, s.Check(r))
	}
	if err := errors.Join(errs...); err != nil {
		return peak.Maybe[peak.Requirement]{}, usageError{err}
	}
	return peak.Known(r), nil
}

const replayArgs = "--config F [--required Q --limit Q --hold D --guard P] [--rescale] TRACE"

func replayCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "replay", replayArgs)
	var d demandFlags
	path := f.String("config", "", "the bench's config `file`")
	f.StringVar(&d.required, "required", "", "the `force` each pull must reach, such as \"100 kN\"")
	f.StringVar(&d.limit, "limit", "", "the `force` no pull may exceed")
	f.StringVar(&d.hold, "hold", "", "how `long` the required force must be held, such as \"10 s\"")
	f.StringVar(&d.guard, "guard", "", "how much to raise the required force, in `per cent`, such as \"1 %\"")
	rescale := f.Bool("rescale", false, "make the forces anew of the trace's raw values (force_raw) with the config's scale")
	if err := parse(f, args); err != nil {
		return err
	}
	if *path == "" || f.NArg() != 1 {
		return usagef("need --config and one trace")
	}
	c, err := loadConfig(*path)
	if err != nil {
		return err
	}
	settings := c.Settings()
	if settings.Standing, err = d.requirement(settings); err != nil {
		return err
	}
	in, err := openTrace(f.Arg(0))
	if err != nil {
		return err
	}
	defer in.Close()
	var force func(float64) (peak.Force, peak.Quality)
	if *rescale {
		force = forceMaker(c)
	}
	w := bufio.NewWriter(out.out)
	if err := replay(w, in, c.Bench.ID, settings, force); err != nil {
		return errors.Join(fmt.Errorf("replay %s: %w", f.Arg(0), err), w.Flush())
	}
	return w.Flush()
}

func openTrace(path string) (io.ReadCloser, error) {
	if path == "-" {
		return io.NopCloser(os.Stdin), nil
	}
	return os.Open(path)
}

// loadConfig reads a config; one that is wrong is a config error.
func loadConfig(path string) (*config.Config, error) {
	c, err := config.Load(path)
	if err != nil {
		return nil, configError{err}
	}
	return c, nil
}

// errNoRawColumn says that a trace's forces came from the indicator as they are.
var errNoRawColumn = errors.New("the trace has no column force_raw, so no scale can be applied to it")

// replay runs the core over a trace and writes its events, a line each. Time
// counts from the Unix epoch, so that the same trace gives the same lines. force makes
// forces of the raw values anew; nil leaves those of the trace.
func replay(w io.Writer, trace io.Reader, bench string, s peak.Settings, force func(float64) (peak.Force, peak.Quality)) error {
	r, err := journal.NewTraceReader(trace)
	if err != nil {
		return err
	}
	if force != nil && !r.Scaled() {
		return errNoRawColumn
	}
	clock := publish.Clock{Epoch: time.Unix(0, 0)}
	number := uint64(0)
	var line []byte
	tell := func(events []peak.Event) error {
		for _, e := range events {
			number++
			line = publish.AppendEnvelope(line[:0], bench, number, publish.Encode(e, clock, nil))
			if _, err := w.Write(append(line, "}\n"...)); err != nil {
				return err
			}
		}
		return nil
	}
	m := peak.New(s, peak.Start{})
	err = eachRow(r, func(x *peak.Reading, raw float64) error {
		if err := scaleAnew(x, raw, force); err != nil {
			return err
		}
		return tell(m.Step(x))
	})
	if err != nil {
		return err
	}
	return tell(m.Stop())
}

// scaleAnew makes the force of a good reading of its raw value. A bad one stays bad:
// whether the instrument or the scale made it so is not on record.
func scaleAnew(x *peak.Reading, raw float64, force func(float64) (peak.Force, peak.Quality)) error {
	if force == nil || x.Quality != peak.Good {
		return nil
	}
	if math.IsNaN(raw) {
		return fmt.Errorf("the reading at %s s is good and has no raw value", peak.AppendSeconds(nil, x.At))
	}
	x.Force, x.Quality = force(raw)
	return nil
}

func eachReading(r *journal.TraceReader, step func(*peak.Reading) error) error {
	return eachRow(r, func(x *peak.Reading, _ float64) error { return step(x) })
}

// eachRow takes the raw values too.
func eachRow(r *journal.TraceReader, step func(x *peak.Reading, raw float64) error) error {
	var x peak.Reading
	for {
		raw, err := r.Next(&x)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := step(&x, raw); err != nil {
			return err
		}
	}
}
