package bench

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"thimbled/peak"
)

// ParseScript reads a script from text. Statements end with a line or a
// semicolon; # begins a comment; a force is in quotes with its
// unit.
//
//	pull NAME [required "F"] [limit "F"] [hold D] [expect VERDICT]
//	rest D
//	raise "F" over D
//	hold D
//	sag D
//	lower "F" over D
//	release D
//	break "F"
//	shift "F"
//	spike "F"
//	unplug-cell "F" over-range|under-range|not-ready|zero|frozen
//	friction "P"
//	loop
//
// Steps before the first pull statement belong to a pull named "pull". All
// problems are reported at once, each with its line.
func ParseScript(text string) (Script, error) {
	r := scriptReader{}
	for i, line := range strings.Split(text, "\n") {
		for statement := range strings.SplitSeq(uncommented(line), ";") {
			if err := r.statement(statement); err != nil {
				r.problems = append(r.problems, fmt.Errorf("line %d: %w", i+1, err))
			}
		}
	}
	if len(r.problems) == 0 {
		if len(r.script.Pulls) == 0 {
			return Script{}, errors.New("the script has no steps")
		}
		r.problems = append(r.problems, r.script.Validate())
	}
	if err := errors.Join(r.problems...); err != nil {
		return Script{}, err
	}
	return r.script, nil
}

// String writes the script as text that [ParseScript] reads.
func (s Script) String() string {
	var b strings.Builder
	for _, p := range s.Pulls {
		fmt.Fprintf(&b, "pull %s", p.Name)
		if p.Required > 0 {
			fmt.Fprintf(&b, " required %q", p.Required)
		}
		if p.Limit > 0 {
			fmt.Fprintf(&b, " limit %q", p.Limit)
		}
		if p.Hold > 0 {
			fmt.Fprintf(&b, " hold %s", p.Hold)
		}
		if p.Expect != "" {
			fmt.Fprintf(&b, " expect %s", p.Expect)
		}
		b.WriteByte('\n')
		for _, step := range p.Steps {
			fmt.Fprintf(&b, "\t%s\n", step)
		}
	}
	if s.Loop {
		b.WriteString("loop\n")
	}
	return b.String()
}

// String writes the step as in a script.
func (s Step) String() string {
	switch wants := wantedBy[s.Do]; {
	case wants.shows:
		return fmt.Sprintf("%s %q %s", s.Do, s.Force, s.Shows)
	case wants.part:
		return fmt.Sprintf("%s %q", s.Do, s.Part)
	case wants.force == 0:
		return fmt.Sprintf("%s %s", s.Do, s.For)
	case wants.time:
		return fmt.Sprintf("%s %q over %s", s.Do, s.Force, s.For)
	default:
		return fmt.Sprintf("%s %q", s.Do, s.Force)
	}
}

type scriptReader struct {
	script   Script
	problems []error
}

func (r *scriptReader) statement(text string) error {
	w, err := splitWords(text)
	if err != nil || len(w) == 0 {
		return err
	}
	if r.script.Loop {
		return errors.New("loop must come last")
	}
	switch w[0] {
	case "loop":
		if len(w) > 1 {
			return fmt.Errorf("loop wants nothing, not %q", w[1])
		}
		r.script.Loop = true
		return nil
	case "pull":
		return r.pull(w[1:])
	}
	return r.step(w)
}

func (r *scriptReader) pull(w words) error {
	if len(w) == 0 {
		return errors.New("pull wants a name")
	}
	p := Pull{Name: w[0]}
	var err error
	for w = w[1:]; len(w) > 0 && err == nil; w = w[2:] {
		if len(w) == 1 {
			return fmt.Errorf("pull: %s wants a value", w[0])
		}
		switch w[0] {
		case "required":
			p.Required, err = parseForce(w[1])
		case "limit":
			p.Limit, err = parseForce(w[1])
		case "hold":
			p.Hold, err = parseTime(w[1])
		case "expect":
			p.Expect, err = parseVerdict(w[1])
		default:
			err = fmt.Errorf("pull: %q is not required, limit, hold or expect", w[0])
		}
	}
	r.script.Pulls = append(r.script.Pulls, p)
	return err
}

func (r *scriptReader) step(w words) error {
	step := Step{Do: Verb(w[0])}
	wants, known := wantedBy[step.Do]
	if !known {
		return fmt.Errorf("%q is no verb", w[0])
	}
	w = w[1:]
	var err error
	if wants.force != 0 && len(w) > 0 {
		step.Force, err = parseForce(w[0])
		w = w[1:]
		if wants.time && len(w) > 0 && w[0] == "over" {
			w = w[1:]
		}
	}
	if err == nil && len(w) > 0 && wants.shows {
		step.Shows, err = parseNoCell(w[0])
		w = w[1:]
	}
	if err == nil && len(w) > 0 && wants.part {
		step.Part, err = parsePart(w[0])
		w = w[1:]
	}
	if err == nil && wants.time && len(w) > 0 {
		step.For, err = parseTime(w[0])
		w = w[1:]
	}
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", step.Do, err)
	case len(w) > 0:
		return fmt.Errorf("%s wants %s and nothing more, not %q", step.Do, wants.form, w[0])
	}
	if err := step.validate(); err != nil {
		return err
	}
	if len(r.script.Pulls) == 0 {
		r.script.Pulls = []Pull{{Name: "pull"}}
	}
	last := &r.script.Pulls[len(r.script.Pulls)-1]
	last.Steps = append(last.Steps, step)
	return nil
}

type words []string

// splitWords splits at blanks; a quoted word keeps its quotes, so that a force
// cannot be mistaken for anything else.
func splitWords(text string) (words, error) {
	var w words
	for {
		text = strings.TrimSpace(text)
		if text == "" {
			return w, nil
		}
		end := strings.IndexAny(text, " \t")
		if text[0] == '"' {
			end = strings.IndexByte(text[1:], '"') + 2
			if end == 1 {
				return nil, errors.New("a quote is not closed")
			}
		}
		if end < 0 {
			end = len(text)
		}
		w = append(w, text[:end])
		text = text[end:]
	}
}

func uncommented(line string) string {
	before, _, _ := strings.Cut(line, "#")
	return before
}

func parseTime(word string) (time.Duration, error) {
	d, err := peak.ParseDuration(word)
	if err != nil {
		return 0, err
	}
	if d <= 0 || d > 24*time.Hour {
		return 0, fmt.Errorf("%s is not between 0 and 24h", word)
	}
	return d, nil
}

func parseVerdict(word string) (peak.Verdict, error) {
	switch v := peak.Verdict(word); v {
	case peak.Pass, peak.Review, peak.Incomplete, peak.Void, peak.Exceeded, peak.Failed:
		return v, nil
	}
	return "", fmt.Errorf("%s is no verdict", word)
}

// parseForce reads a force in quotes.
func parseForce(word string) (peak.Force, error) {
	inside, ok := strings.CutPrefix(word, `"`)
	if !ok {
		return 0, fmt.Errorf(`%s is no force in quotes, as in "100 kN"`, word)
	}
	return peak.ParseForce(strings.TrimSuffix(inside, `"`))
}

// parsePart reads a part of a whole in quotes.
func parsePart(word string) (peak.Ratio, error) {
	inside, ok := strings.CutPrefix(word, `"`)
	if !ok {
		return 0, fmt.Errorf(`%s is no part in quotes, as in "20 %%"`, word)
	}
	return peak.ParseRatio(strings.TrimSuffix(inside, `"`))
}
