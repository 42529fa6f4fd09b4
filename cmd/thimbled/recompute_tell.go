package main

import (
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"maps"
	"slices"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish/journal"
)

// recomputeFlags say how an audit judges pulls again.
type recomputeFlags struct {
	wanted, rescale bool
	config          string
}

func (a *recomputeFlags) add(f *flag.FlagSet) {
	f.BoolVar(&a.wanted, "recompute", false, "judge every pull again from its trace and compare each figure")
	f.StringVar(&a.config, "config", "", "the config `file` that pulls were made with, where the journal does not say what they were judged by")
	f.BoolVar(&a.rescale, "rescale", false, "tell what each pull would come to with the scale of that config")
}

// begin returns what judges again; nil if that is not wanted.
func (a *recomputeFlags) begin(dir string) (*recomputing, error) {
	switch {
	case !a.wanted && (a.rescale || a.config != ""):
		return nil, usagef("--config and --rescale go with --recompute")
	case !a.wanted:
		return nil, nil
	case a.rescale && a.config == "":
		return nil, usagef("--rescale needs --config, which has the scale")
	}
	var c *config.Config
	var scale *rescaling
	var err error
	if a.config != "" {
		if c, err = loadConfig(a.config); err != nil {
			return nil, err
		}
	}
	if a.rescale {
		if scale, err = rescalingOf(c); err != nil {
			return nil, configError{err}
		}
	}
	return newRecomputing(dir, c, scale), nil
}

// recomputed is what judging all pulls again came to.
type recomputed struct {
	there       int // pulls on record that have ended
	pulls       int // of them judged again
	rows        int64
	tests       int // whose results were compared
	corrections int
	differ      int
	problems    []journal.Damage // at most journal.MaxProblems of them
	unable      map[string]int   // why pulls and tests were not judged again
	unstated    map[string]int   // figures that records do not state
	rescaled    []rescaledPull
}

// sound says that nothing differs, and that something was compared if there was anything.
func (r *recomputed) sound() bool { return r == nil || r.differ == 0 && (r.pulls > 0 || r.there == 0) }

func (r *recomputed) sort() {
	slices.SortStableFunc(r.problems, func(a, b journal.Damage) int {
		return cmp.Or(cmp.Compare(a.Record, b.Record), cmp.Compare(a.Reason, b.Reason))
	})
	slices.SortFunc(r.rescaled, func(a, b rescaledPull) int { return cmp.Compare(a.record, b.record) })
}

// notes are what was not compared.
func (r *recomputed) notes() []journal.Note {
	var out []journal.Note
	for _, why := range slices.Sorted(maps.Keys(r.unable)) {
		out = append(out, journal.Note{File: "recompute", Text: fmt.Sprintf("%d not judged again: %s", r.unable[why], why)})
	}
	for _, name := range slices.Sorted(maps.Keys(r.unstated)) {
		out = append(out, journal.Note{File: "recompute", Text: fmt.Sprintf("%d records do not state %s", r.unstated[name], name)})
	}
	return out
}

func (r *recomputed) tell(w io.Writer) {
	for _, p := range r.rescaled {
		fmt.Fprintf(w, "pull %d: peak %s -> %s, hold %s -> %s, %s -> %s%s\n", p.old.Pull, peakText(p.old), peakText(p.again),
			seconds(p.old.Hold.For), seconds(p.again.Hold.For), p.old.Verdict, p.again.Verdict, becauseText(p.again.Reasons))
	}
	how := "every figure agrees"
	switch {
	case r.differ > 0:
		how = fmt.Sprintf("%d figures differ", r.differ)
	case r.pulls == 0:
		how = "nothing could be compared"
	}
	fmt.Fprintf(w, "%d of %d pulls were judged again from %d readings, with the results of %d tests and %d corrections: %s.\n",
		r.pulls, r.there, r.rows, r.tests, r.corrections, how)
}

func peakText(e peak.PullEnded) string {
	if !e.Peak.Known {
		return "none"
	}
	return e.Peak.Value.String()
}

func peakJSON(e peak.PullEnded) json.RawMessage {
	if !e.Peak.Known {
		return json.RawMessage("null")
	}
	return e.Peak.Value.AppendNewtons(nil)
}

func becauseText(reasons []peak.Reason) string {
	if len(reasons) == 0 {
		return ""
	}
	return fmt.Sprint(" ", reasons)
}

// recomputedJSON is the answer in JSON.
type recomputedJSON struct {
	Pulls       int            `json:"pulls"`
	There       int            `json:"pulls_on_record"`
	Readings    int64          `json:"readings"`
	Tests       int            `json:"tests"`
	Corrections int            `json:"corrections"`
	Differences int            `json:"differences"`
	NotJudged   map[string]int `json:"not_judged"`
	NotStated   map[string]int `json:"not_stated"`
	Rescaled    []rescaledJSON `json:"rescaled,omitempty"`
}

type rescaledJSON struct {
	Pull       int64           `json:"pull"`
	OldPeak    json.RawMessage `json:"recorded_peak_newtons"`
	Peak       json.RawMessage `json:"peak_newtons"`
	OldHold    float64         `json:"recorded_hold_seconds"`
	Hold       float64         `json:"hold_seconds"`
	OldVerdict peak.Verdict    `json:"recorded_verdict"`
	Verdict    peak.Verdict    `json:"verdict"`
	Reasons    []peak.Reason   `json:"reasons"`
}

func (r *recomputed) json() *recomputedJSON {
	if r == nil {
		return nil
	}
	out := &recomputedJSON{
		Pulls: r.pulls, There: r.there, Readings: r.rows, Tests: r.tests, Corrections: r.corrections, Differences: r.differ,
		NotJudged: r.unable, NotStated: r.unstated,
	}
	for _, p := range r.rescaled {
		out.Rescaled = append(out.Rescaled, rescaledJSON{
			Pull: p.old.Pull, OldPeak: peakJSON(p.old), Peak: peakJSON(p.again), OldHold: p.old.Hold.For.Seconds(),
			Hold: p.again.Hold.For.Seconds(), OldVerdict: p.old.Verdict, Verdict: p.again.Verdict, Reasons: append([]peak.Reason{}, p.again.Reasons...),
		})
	}
	return out
}
