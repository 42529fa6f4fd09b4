package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

// verifyVerbs are what a running daemon can be asked about a verification; see
// [verifyCommand].
const verifyVerbs = "start|point|drop|cancel|show|finish|record"

// isVerifyVerb says that a first argument is one of them.
func isVerifyVerb(word string) bool { return slices.Contains(strings.Split(verifyVerbs, "|"), word) }

// verifySession asks the running daemon about a verification.
func verifySession(ctx context.Context, out streams, args []string) error {
	f := flags(out, "verify "+args[0], "[--config F | --nats URL --bench ID] [--by NAME] …")
	a, by := addAskFlags(f), f.String("by", login(), "`who` asks")
	body := verifyBody(f, args[0], by)
	if err := parse(f, args[1:]); err != nil {
		return err
	}
	if f.NArg() != 0 {
		return usagef("%q is one word too many; texts with blanks need quotes", f.Arg(0))
	}
	r, err := body()
	if err != nil {
		return err
	}
	return askDaemon(ctx, out, *a, "verify."+args[0], r)
}

// verifyBody adds the flags of a verb and returns what makes the request's body.
func verifyBody(f *flag.FlagSet, verb string, by *string) func() (any, error) {
	switch verb {
	case "start":
		r := addStandardFlags(f)
		return func() (any, error) { r.By = *by; return r, nil }
	case "point":
		applied := f.String("applied", "", "the `force` that the reference shows, such as \"100 kN\"; \"0 N\" is the zero return")
		return func() (any, error) { return verifyPoint{By: *by, Applied: *applied}, nil }
	case "show":
		return func() (any, error) { return struct{}{}, nil }
	case "finish":
		months := addMonthsFlag(f)
		return func() (any, error) { return verifyFinish{By: *by, Months: *months}, nil }
	case "record":
		return recordBody(f, by)
	}
	why := f.String("why", "", "the `reason`")
	return func() (any, error) { return whyRequest{By: *by, Why: *why}, nil }
}

func addStandardFlags(f *flag.FlagSet) *verifyStart {
	r := &verifyStart{}
	f.StringVar(&r.Range, "range", "", "the measuring `range`, if the indicator has several")
	f.StringVar(&r.Standard, "standard", "", "what the force is compared with: its `kind`, number and report")
	f.StringVar(&r.Uncertainty, "standard-uncertainty", "", "its expanded `uncertainty` (k = 2), such as \"0.12 %\"")
	return r
}

func addMonthsFlag(f *flag.FlagSet) *int {
	return f.Int("months", usualMonths, fmt.Sprintf("for how many `months` it counts, at most %d", mostMonths))
}

func recordBody(f *flag.FlagSet, by *string) func() (any, error) {
	standard, months := addStandardFlags(f), addMonthsFlag(f)
	readings := f.String("readings", "", "CSV `file` of the readings: run, applied_N, indicated_N")
	on := f.String("on", "", "the `day` it was made, such as 2026-11-03")
	return func() (any, error) {
		text, err := readReadings(*readings)
		if err != nil {
			return nil, err
		}
		standard.By = *by
		return verifyRecord{verifyStart: *standard, CSV: text, On: *on, Months: *months}, nil
	}
}

// readReadings reads a file that must fit into a request.
func readReadings(path string) (string, error) {
	if path == "" {
		return "", usagef("need --readings")
	}
	file, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("read readings: %w", err)
	}
	defer file.Close()
	text, err := io.ReadAll(io.LimitReader(file, largestReadings+1))
	if err != nil {
		return "", fmt.Errorf("read readings: %w", err)
	}
	if len(text) > largestReadings {
		return "", usagef("%s is larger than %d bytes, which no verification needs", path, largestReadings)
	}
	return string(text), nil
}

// largestReadings leaves room for the rest of a request.
const largestReadings = 48 << 10
