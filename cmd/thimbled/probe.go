package main

import (
	"context"
	"fmt"
	"io"

	"thimbled/acquire"
	"thimbled/acquire/modbus"
)

func probeCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "probe", "--config F")
	path := f.String("config", "", "the bench's config `file`")
	if err := parse(f, args); err != nil {
		return err
	}
	if *path == "" || f.NArg() != 0 {
		return usagef("need --config and nothing else")
	}
	c, err := loadConfig(*path)
	if err != nil {
		return err
	}
	lines, err := linesOf(c)
	if err != nil {
		return configError{err}
	}
	silent := false
	for _, l := range lines {
		found, err := acquire.Probe(ctx, l)
		if err != nil {
			return err
		}
		for _, f := range found {
			tellFinding(out.out, f, configured(l, f.Instrument))
			silent = silent || f.Configured && f.Err != nil
		}
	}
	if silent {
		return errNo
	}
	return nil
}

func configured(l acquire.Line, name string) acquire.Instrument {
	for _, in := range l.Instruments {
		if in.Name == name {
			return in
		}
	}
	return acquire.Instrument{}
}

// tellFinding shows an answer in every way it can be understood: the one that
// agrees with the instrument's own display is the right one.
func tellFinding(w io.Writer, f acquire.Finding, in acquire.Instrument) {
	place := "beside it"
	if f.Configured {
		place = "configured"
	}
	fmt.Fprintf(w, "%s, %s: %s\n", f.Instrument, place, f.Asked)
	switch {
	case f.Err != nil:
		fmt.Fprintf(w, "  no answer: %v\n", f.Err)
	case f.Data == nil:
		fmt.Fprintf(w, "  %g %s\n", f.Value.Number, f.Value.Unit)
	default:
		fmt.Fprintf(w, "  bytes % x\n", f.Data)
		for _, d := range modbus.Decodings(f.Data) {
			tellDecoding(w, d, f.Configured && d.Type == in.Value.Type && d.Order == in.Value.Order, in)
		}
	}
}

func tellDecoding(w io.Writer, d modbus.Decoding, chosen bool, in acquire.Instrument) {
	if !d.Plausible() && !chosen {
		return
	}
	mark := " "
	if chosen {
		mark = ">"
	}
	scaled := ""
	if in.Scaled() {
		scaled = fmt.Sprintf("   scaled %.8g", in.Convert(d.Value))
	}
	fmt.Fprintf(w, "%s %-7v %v  %.8g%s\n", mark, d.Type, d.Order, d.Value, scaled)
}
