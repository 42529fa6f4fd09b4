package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/peak/verify"
)

const verifyArgs = "--config F --readings F.csv [--range NAME] [--json] | " + verifyVerbs + " …"

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
	f.StringVar(&v.readings, "readings", "", "CSV `file` with the columns run, applied_N, indicated_N; a force of 0 is the zero return")
	f.StringVar(&v.inRange, "range", "", "the measuring `range`, if the indicator has several")
	f.StringVar(&v.standard, "standard", "", "what the force was compared `with`")
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
	c, err := config.Load(v.config)
	if err != nil {
		return verifiedJSON{}, configError{err}
	}
	session, err := sessionFor(c, v.inRange)
	if err != nil {
		return verifiedJSON{}, usageError{err}
	}
	made, err := v.check()
	if err != nil {
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
	a.Resolution, a.Serial = session.Resolution, c.Load.Serial
	a.On = made.Format(time.DateOnly)
	if a.Verified {
		a.Until = untilAfter(made, v.months).Format(time.DateOnly)
	}
	return a, nil
}

// check reads what is told beside the readings and returns the day it was made.
func (v verifyFlags) check() (time.Time, error) {
	if v.uncertainty != "" {
		if _, err := peak.ParseRatio(v.uncertainty); err != nil {
			return time.Time{}, err
		}
	}
	if err := checkMonths(v.months); err != nil {
		return time.Time{}, err
	}
	made, err := time.ParseInLocation(time.DateOnly, v.on, time.Local)
	if err != nil {
		return made, fmt.Errorf("--on: %q is no day such as 2026-11-03", v.on)
	}
	return made, nil
}

// sessionFor is a session of a range of the bench without its readings.
func sessionFor(c *config.Config, name string) (verify.Session, error) {
	s := verify.Session{Resolution: inNewtons(c.Bench.Division), Capacity: inNewtons(c.Bench.Capacity)}
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
	return s, fmt.Errorf("say which range of the bench is verified: one of %v", names)
}

// tell writes the report for people.
func (a verifiedJSON) tell(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "run\tapplied N\tindicated N\terror N\terror %\t")
	for _, r := range a.Rows {
		fmt.Fprintf(t, "%d\t%.1f\t%.1f\t%.1f\t%.4f\t\n", r.Run, r.Applied, r.Indicated, r.Error, r.Percent)
	}
	fmt.Fprintln(t, "\t\t\t\t\t")
	fmt.Fprintln(t, "applied N\tE4 repeatability %\tq %\tb % before 2015\tb % from 2015\t")
	for _, l := range a.Levels {
		fmt.Fprintf(t, "%.1f\t%.4f\t%.4f\t%.4f\t%.4f\t\n", l.Applied, l.Repeatability, l.Q, l.BOlder, l.BLater)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	for _, f := range a.Findings {
		fmt.Fprintf(w, "%s: %s\n", f.Rule, f.Text)
	}
	if !a.Verified {
		_, err := fmt.Fprintln(w, "Not verified.")
		return err
	}
	_, err := fmt.Fprintf(w, "Verified by ASTM E4 from %.1f N to %.1f N, until %s. %s\n", *a.From, *a.To, a.Until, a.classText())
	return err
}

func (a verifiedJSON) classText() string {
	if a.Class == nil {
		return "The figures are good for no class of ISO 7500-1."
	}
	return fmt.Sprintf("The figures are good for class %g of ISO 7500-1.", *a.Class)
}
