package certificate

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"time"

	"thimbled/peak"
	"thimbled/peak/verify"
)

// Report is the report of a verification of the force readings, ready to be printed: its
// points as they are on record, judged again.
type Report struct {
	Outcome     outcome
	Findings    []string // beside the outcome, each with its rule
	Loft        Loft
	Number      string // CloudEvents id of the record
	Digest      string
	Made        string
	Paper       Paper
	Basis       []row // what was compared with what
	LevelsTitle string
	Levels      table
	Readings    table
	Figure      *figure
	Tells       string // what the figure shows, for people who cannot see it
	Means       []row
	Checkpoint  []row
	Signers     []signer
	SignersNote string
	Cautions    []string

	v        *VerificationEvidence
	judged   verify.Report
	figures  figures
	division peak.Force // 0 if it is not known
	at       time.Time
}

// NewReport makes the report of a verification.
func NewReport(v *VerificationEvidence, o Options) *Report {
	setup := o.Setup
	if !setup.Recorded && v.Run.ConfigDigest != setup.Digest {
		setup = Setup{}
	}
	r := &Report{
		Loft: o.Loft.plain(), Number: fmt.Sprintf("%s-%d", v.Bench, v.Verified.Reference.Number), Digest: v.Verified.Reference.SHA256,
		Made: dateTime(v.Verified.MadeAt), Paper: o.Paper, v: v, division: setup.divisionOf(v.Verified.Range), at: v.Verified.Reference.At,
		SignersNote: "By signing, each person answers for what is recorded above.", Signers: []signer{{"Verified by", or(v.Verified.By, "")}, {"Approved by", ""}},
	}
	r.figures = newFigures(o.Units, r.division)
	r.judged = verify.Judge(v.session(r.division, setup.Capacity, o.Units.Force))
	r.Outcome, r.Findings = r.outcome(), r.findings()
	r.Basis, r.Means, r.Cautions = r.basis(), r.means(setup), reportCautions()
	r.LevelsTitle = "Forces of all runs, in " + o.Units.Force.String() + " and %: repeatability by ASTM E4; q, b and a by ISO 7500-1"
	r.Levels, r.Readings = r.levels(), r.readings()
	if plot := newErrorPlot(r); plot != nil {
		r.Figure = plot.figure()
		r.Tells = fmt.Sprintf("Percent error against applied force in %d runs: at most %s without its sign.", r.judged.Runs, percents(r.judged.MaxError()))
	}
	if v.Sealed != nil {
		r.Checkpoint = checkpointRows(v.Sealed, "this record")
	}
	return r
}

// divisionOf is the division of a measuring range; 0 if it is not known.
func (s Setup) divisionOf(name string) peak.Force {
	for _, r := range s.Ranges {
		if r.Name == name {
			return r.Division
		}
	}
	if len(s.Ranges) > 0 {
		return 0
	}
	return s.Division
}

// session is what is judged again.
func (v *VerificationEvidence) session(division, capacity peak.Force, unit peak.ForceUnit) verify.Session {
	s := verify.Session{Resolution: newtons(division), Capacity: newtons(capacity), Standard: v.Verified.Standard, Unit: unit}
	for _, p := range v.Points {
		s.Readings = append(s.Readings, verify.Reading{Run: p.Run, Applied: newtons(p.Applied), Indicated: newtons(p.Indicated)})
	}
	return s
}

func newtons(f peak.Force) float64 { return float64(f) / float64(peak.Newton) }

// force is the nearest force; what no bench reaches is cut off.
func force(newtons float64) peak.Force {
	const most = 1e15
	return peak.Force(math.Round(max(-most, min(newtons, most)) * float64(peak.Newton)))
}

const (
	titleVerified    = "Verification of the force readings"
	titleNotVerified = "Verification of the force readings – DOES NOT AGREE"
)

// outcome is the recorded result, if judging the points again comes to it.
func (r *Report) outcome() outcome {
	v := r.v.Verified
	o := outcome{Title: titleVerified, Released: true}
	o.Status = fmt.Sprintf("Verified from %s to %s", r.figures.plainForce(v.From), r.figures.plainForce(v.To))
	o.say(fmt.Sprintf("By ASTM E4, on %s; it counts until %s. %s", day(v.MadeAt), dateTime(v.UntilAt), classText(v.ISOClass)))
	switch why := r.disagreement(); {
	case len(r.v.Points) == 0:
		o.say("The points are not on record, so the result could not be judged again.")
	case why != "":
		o.Title, o.Released, o.Status = titleNotVerified, false, "DOES NOT AGREE with its points"
		o.say("Judged again, the points on record come to another result: " + why + ". Nothing may rest on it before that is cleared up.")
	default:
		o.say("The points on record were judged again for this report, with the same result.")
	}
	return o
}

func classText(class string) string {
	if class == "" {
		return "No class of ISO 7500-1 is stated."
	}
	return "The figures are good for class " + plain(class) + " of ISO 7500-1."
}

// disagreement says what judging again found other than is recorded; empty if nothing.
// Recorded ranges are never wider and errors never smaller than what was found, in whole
// millinewtons and parts per million.
func (r *Report) disagreement() string {
	v, j := r.v.Verified, r.judged
	class := ""
	if j.Class > 0 {
		class = fmt.Sprintf("%g", j.Class)
	}
	const inPPM = float64(peak.Percent)
	switch {
	case len(r.v.Points) == 0:
		return ""
	case !j.Verified:
		return "not verified"
	case !sameWhole(j.From*1000, float64(v.From)) || !sameWhole(j.To*1000, float64(v.To)):
		return fmt.Sprintf("verified from %s to %s", r.figures.plainForce(force(j.From)), r.figures.plainForce(force(j.To)))
	case !sameWhole(j.MaxError()*inPPM, float64(v.MaxError)):
		return "a largest error of " + percents(j.MaxError())
	case !sameWhole(j.MaxRepeatability()*inPPM, float64(v.Repeatability)):
		return "a repeatability of " + percents(j.MaxRepeatability())
	case class != v.ISOClass:
		return "class " + cmp.Or(class, "none") + " of ISO 7500-1"
	}
	return ""
}

// sameWhole says that a figure and the whole number that is recorded for it lie less than
// one apart.
func sameWhole(x, recorded float64) bool { return math.Abs(x-recorded) < 1 }

// findings are what the rules say, the gravest first.
func (r *Report) findings() []string {
	words := map[verify.Effect]string{verify.Refuses: "Refused by", verify.Limits: "Limited by", verify.Remark: "Remark, by"}
	var out []string
	if len(r.v.Points) == 0 {
		return out
	}
	for _, effect := range []verify.Effect{verify.Refuses, verify.Limits, verify.Remark} {
		for _, f := range r.judged.Findings {
			if f.Effect == effect {
				out = append(out, fmt.Sprintf("%s %s: %s.", words[effect], f.Rule, plain(f.Text)))
			}
		}
	}
	if r.division == 0 {
		out = append(out, "The division of the range is not on record: what depends on the resolution was not judged again.")
	}
	return out
}

// HTML writes the report as one page that needs no other file.
func (r *Report) HTML(w io.Writer) error {
	if err := writePage(w, reportPage, r); err != nil {
		return fmt.Errorf("write report %s: %w", r.Number, err)
	}
	return nil
}

// PDF writes the report as PDF. The same evidence and options give the same pages; the
// bytes may differ.
func (r *Report) PDF(w io.Writer) error {
	if err := output(w, r.draw); err != nil {
		return fmt.Errorf("write report %s: %w", r.Number, err)
	}
	return nil
}

func (r *Report) draw(pages int) *sheet {
	s := newSheet(identity{
		title: r.Outcome.Title, subject: r.Basis[0].Text, number: r.Number, digest: r.Digest, size: r.Paper, made: r.at,
	}, pages)
	s.report(r)
	return s
}

// report draws the whole paper.
func (s *sheet) report(r *Report) {
	s.letterhead(r.Loft, "Made "+r.Made)
	s.outcome(r.Outcome, r.Findings)
	s.section("What was compared", 16)
	s.rows(r.Basis)
	if r.Figure != nil {
		s.section("Percent error", heading.lead()+s.figureHigh(r.Figure)+2)
		s.y += 1
		s.figure(r.Figure)
	}
	s.section(r.LevelsTitle, 24)
	s.table(r.Levels)
	s.signatures(r.SignersNote, r.Signers)
	s.section("Readings as they were taken", 24)
	s.table(r.Readings)
	s.section("Instruments and program", 24)
	s.rows(r.Means)
	if r.Checkpoint != nil {
		s.section("Signed checkpoint", 24)
		s.rows(r.Checkpoint)
	}
	s.cautions(r.Cautions)
	s.lost()
}
