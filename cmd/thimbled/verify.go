package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/peak/verify"
)

const verifyArgs = "--config F --readings F.csv [--range NAME] [--standard TEXT --standard-uncertainty P] [--on DAY] [--by NAME] [--months N] [--json] | " + verifyVerbs + " …"

// verifyCommand judges readings from a file, or asks the running daemon about a
// verification.
func verifyCommand(ctx context.Context, out streams, args []string) error {
	if len(args) > 0 && isVerifyVerb(args[0]) {
		return verifySession(ctx, out, args)
	}
	return verifyFile(out, args)
}

// verifyFlags are what a verification from a file is told.
type verifyFlags struct {
	config, readings, inRange, standard, uncertainty, on, by string
	months                                                   int
	asJSON                                                   bool
}

func verifyFile(out streams, args []string) error {
	f := flags(out, "verify", verifyArgs)
	var v verifyFlags
	f.StringVar(&v.config, "config", "", "config `file` of the bench")
	f.StringVar(&v.readings, "readings", "", "CSV `file` with the columns run, applied_N, indicated_N; a force of 0 behind the last of a run is its zero return")
	f.StringVar(&v.inRange, "range", "", "the measuring `range`, if the indicator has several")
	f.StringVar(&v.standard, "standard", "", "what the force was compared with: its `kind`, number and report")
	f.StringVar(&v.uncertainty, "standard-uncertainty", "", "its expanded `uncertainty` (k = 2), such as \"0.12 %\"")
	f.StringVar(&v.on, "on", time.Now().Format(time.DateOnly), "the `day` it was made")
	f.IntVar(&v.months, "months", usualMonths, fmt.Sprintf("for how many `months` it counts, at most %d", mostMonths))
	f.StringVar(&v.by, "by", login(), "`who` made it")
	f.BoolVar(&v.asJSON, "json", false, "answer in JSON")
	if err := parse(f, args); err != nil {
		return err
	}
	if v.config == "" || v.readings == "" || f.NArg() != 0 {
		return usagef("need --config and --readings; thimbled verify --help says more")
	}
	a, err := v.judge()
	if err != nil {
		return err
	}
	if v.asJSON {
		err = encodePlain(out.out, a)
	} else {
		err = a.tell(out.out)
	}
	if err == nil && !a.Verified {
		return errNo
	}
	return err
}

func (v verifyFlags) judge() (verifiedJSON, error) {
	c, err := loadConfig(v.config)
	if err != nil {
		return verifiedJSON{}, err
	}
	session, err := sessionFor(c, v.inRange)
	if err != nil {
		return verifiedJSON{}, usageError{err}
	}
	made, err := v.check(time.Now())
	if err != nil {
		return verifiedJSON{}, usageError{err}
	}
	if session.Standard, err = v.reference(); err != nil {
		return verifiedJSON{}, usageError{err}
	}
	file, err := os.Open(v.readings)
	if err != nil {
		return verifiedJSON{}, fmt.Errorf("read readings: %w", err)
	}
	defer file.Close()
	if session.Readings, err = verify.ReadCSV(file); err != nil {
		return verifiedJSON{}, fmt.Errorf("%s: %w", v.readings, err)
	}
	a := newVerifiedJSON(verify.Judge(session))
	a.Bench, a.Range, a.Standard, a.Uncertainty, a.By = c.Bench.ID, v.inRange, v.standard, v.uncertainty, v.by
	a.Resolution, a.Serial, a.unit = session.Resolution, c.Load.Serial, session.Unit
	a.On = made.Format(time.DateOnly)
	if a.Verified {
		until := untilAfter(made, v.months).Format(time.DateOnly)
		a.Until = &until
	}
	return a, nil
}

// check reads what is told beside the readings and returns the day it was made.
func (v verifyFlags) check(now time.Time) (time.Time, error) {
	if err := checkMonths(v.months); err != nil {
		return time.Time{}, err
	}
	made, err := time.ParseInLocation(time.DateOnly, v.on, time.Local)
	if err != nil {
		return made, fmt.Errorf("--on: %q is no day such as 2026-11-03", v.on)
	}
	if made.After(now) {
		return made, fmt.Errorf("--on: %s has not come yet", v.on)
	}
	return made, nil
}

// reference is what the force was compared with, as far as it is told.
func (v verifyFlags) reference() (peak.Standard, error) {
	s := peak.Standard{Name: v.standard}
	if v.uncertainty == "" {
		return s, nil
	}
	var err error
	switch s.Uncertainty, err = peak.ParseRatio(v.uncertainty); {
	case err != nil:
		return s, fmt.Errorf("--standard-uncertainty: %w", err)
	case s.Uncertainty <= 0:
		return s, fmt.Errorf("--standard-uncertainty: %q is not above 0 %%", v.uncertainty)
	case s.Name == "":
		return s, errors.New("--standard-uncertainty: say of which --standard")
	}
	return s, nil
}

// sessionFor is a session of a range of the bench without its readings.
func sessionFor(c *config.Config, name string) (verify.Session, error) {
	s := verify.Session{Resolution: inNewtons(c.Bench.Division), Capacity: inNewtons(c.Bench.Capacity), Unit: c.Bench.Show}
	if len(c.Ranges) == 0 && name == "" {
		return s, nil
	}
	var names []string
	for _, r := range c.Ranges {
		if r.Name == name {
			s.Resolution = inNewtons(r.Division)
			return s, nil
		}
		names = append(names, r.Name)
	}
	if len(names) == 0 {
		return s, fmt.Errorf("the bench has one range, without a name: leave %q out", name)
	}
	return s, fmt.Errorf("say which range of the bench is verified: --range %s", strings.Join(names, " or --range "))
}
