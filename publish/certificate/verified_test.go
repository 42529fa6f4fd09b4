package certificate

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

var verifiedTests = []string{"j-201", "j-202", "j-203", "j-204", "j-205", "j-206", "j-207"}

func TestVerifiedHTMLGolden(t *testing.T) {
	for _, test := range []string{"j-201", "j-204", "j-206"} {
		golden(t, test+".html", htmlOf(t, paper(t, test)))
	}
}

// roundedUp is an uncertainty in newtons as people see it: rounded up to two digits
// (JCGM 100:2008, 7.2.6), worked out in floating point apart from the code that prints.
func roundedUp(newtons, unit float64) string {
	x := newtons / unit
	step := math.Pow(10, math.Floor(math.Log10(x))-1)
	return fmt.Sprintf("%.*f", max(0, -int(math.Round(math.Log10(step)))), math.Ceil(x/step-1e-9)*step)
}

// pullFigures are the figures of one pull of a record as people see them.
func pullFigures(pull map[string]any) []string {
	const poundForce = 4.4482216152605 // newtons
	var out []string
	for key, value := range pull {
		v, number := value.(float64)
		switch {
		case key == "peak_newtons" || key == "held_newtons":
			s, lbf := fmt.Sprintf("%.2f kN", v/1000), fmt.Sprintf("%.0f lbf", v/poundForce)
			if b, known := pull[strings.TrimSuffix(key, "newtons")+"uncertainty"].(map[string]any); known {
				u := b["expanded_newtons"].(float64)
				s, lbf = s+" ± "+roundedUp(u, 1000)+" kN", lbf+" ± "+roundedUp(u, poundForce)+" lbf"
			}
			out = append(out, s+" ("+lbf+")")
		case strings.HasSuffix(key, "_uncertainty") && value != nil:
			for _, part := range value.(map[string]any) {
				out = append(out, fmt.Sprintf("%.1f", math.Floor(part.(float64)*10+0.5+1e-9)/10)) // half away from zero
			}
		case key == "force_pressure_ratio_percent":
			out = append(out, fmt.Sprintf("%g %% of pressure", v))
		case key == "indicator_update_seconds":
			out = append(out, fmt.Sprintf("a new value every %.4g ms", 1000*v))
		case number && (key == "required_newtons" || key == "limit_newtons" || strings.HasPrefix(key, "zero_")):
			out = append(out, numberText(key, v))
		}
	}
	return out
}

func TestVerifiedPapersHaveEveryFigure(t *testing.T) {
	t.Parallel()
	all := recordsIn(t, verified)
	for _, test := range verifiedTests {
		c := paper(t, test)
		var record struct {
			Attempts []map[string]any `json:"attempts"`
		}
		if err := json.Unmarshal(all[c.e.Record.Number-1].Data, &record); err != nil {
			t.Fatal(err)
		}
		page, pdf := seen(htmlOf(t, c)), textOf(t, pdfOf(t, c))
		checked := 0
		for _, pull := range record.Attempts {
			for _, figure := range pullFigures(pull) {
				checked++
				if !strings.Contains(page, figure) {
					t.Errorf("%s: the page does not show %q", test, figure)
				}
				for word := range strings.FieldsSeq(figure) { // a cell may have two lines
					if !strings.Contains(pdf, word) {
						t.Errorf("%s: the paper does not show %q of %q", test, word, figure)
					}
				}
			}
		}
		if checked < 10 {
			t.Errorf("%s: only %d figures were looked for", test, checked)
		}
	}
}

// verifiedData is a recorded verification, read with nothing but a JSON parser.
type verifiedData struct {
	From     float64   `json:"verified_from_newtons"`
	To       float64   `json:"verified_to_newtons"`
	On       time.Time `json:"verified_at"`
	Until    time.Time `json:"until_at"`
	Standard string    `json:"standard"`
	Error    float64   `json:"largest_error_percent"`
	Repeat   float64   `json:"repeatability_percent"`
	Class    string    `json:"iso_class"`
	Serial   string    `json:"serial"`
	Scale    string    `json:"scale"`
	Points   []struct {
		Run       int     `json:"run"`
		Applied   float64 `json:"applied_newtons"`
		Indicated float64 `json:"indicated_newtons"`
	} `json:"points"`
}

func verifiedIn(t *testing.T, number int) verifiedData {
	t.Helper()
	var d verifiedData
	if err := json.Unmarshal(recordsIn(t, verified)[number-1].Data, &d); err != nil {
		t.Fatal(err)
	}
	return d
}

// The verification that counted for the pull's range when it began is on the paper with
// its digest; a pull in another range has none.
func TestVerificationThatCounted(t *testing.T) {
	d := verifiedIn(t, 5)
	digest := paper(t, "j-201").e.Verified[1][0].Reference.SHA256
	var next struct{ PreviousHash string }
	if err := json.Unmarshal(recordsIn(t, verified)[5].Line, &next); err != nil || next.PreviousHash != digest {
		t.Errorf("the digest is %s, the next record names %s: %v", digest, next.PreviousHash, err)
	}
	facts := []string{
		fmt.Sprintf("%.2f kN (%.0f lbf) to %.2f kN (%.0f lbf), by ASTM E4", d.From/1000, d.From/4.4482216152605, d.To/1000, d.To/4.4482216152605),
		"Made " + d.On.Format("2006-01-02 15:04:05 UTC"), "Counts until " + d.Until.Format("2006-01-02 15:04:05 UTC"), d.Standard + ", uncertain by 0.06 % (k = 2)",
		fmt.Sprintf("Largest error %g %%", d.Error), fmt.Sprintf("Repeatability %g %%", d.Repeat), "class " + d.Class,
		"serial number " + d.Serial + ", range high, scale " + d.Scale, "5, SHA-256 " + digest,
	}
	for _, test := range []string{"j-201", "j-202", "j-204", "j-205", "j-206", "j-207"} {
		text := seen(htmlOf(t, paper(t, test)))
		for _, fact := range facts {
			if !strings.Contains(text, fact) {
				t.Errorf("%s does not say %q", test, fact)
			}
		}
	}
	text := seen(htmlOf(t, paper(t, "j-203")))
	if !strings.Contains(text, "None for pull 3: no verification of the range that the load lies in was on record") || strings.Contains(text, d.Standard) {
		t.Errorf("a range without a verification: %s", text)
	}
	if text := seen(htmlOf(t, paper(t, "j-101"))); !strings.Contains(text, "Verification no verification of the force readings on record") ||
		!strings.Contains(text, "uncertainty, changes of parameters, a signed checkpoint: not stated") || !strings.Contains(text, "Held force not stated") {
		t.Errorf("an old record: %s", text)
	}
}

// Each reason that rests on the verification is told, and nothing is released by it.
func TestVerdictsThatRestOnTheVerification(t *testing.T) {
	for test, says := range map[string]string{
		"j-202": "The load was outside the range that the readings are verified in (outside-verified-range).",
		"j-203": "The readings were not verified (unverified).",
		"j-204": "The indicator's calibration constant changed during the pull (constant-changed).",
		"j-205": "Force and pressure did not agree (force-pressure-disagree).",
		"j-207": "The verification of the readings was overdue (verification-overdue).",
	} {
		c := paper(t, test)
		if text := seen(htmlOf(t, c)); !strings.Contains(text, says) {
			t.Errorf("%s does not say %q", test, says)
		}
		checkLooks(t, test, c, test == "j-204") // its pull was made again
	}
}

func TestChangesDuringTheTest(t *testing.T) {
	text := seen(htmlOf(t, paper(t, "j-204")))
	for _, says := range []string{
		"Parameters 2 changed during the test; changes on record up to its end: 2", "Changed load.constant from 4127 to 4131 (record 37)",
		"Changed load.constant from 4131 to 4127 (record 41)", "Scale of the raw signal: 125 x raw + 0.1 kN",
	} {
		if !strings.Contains(text, says) {
			t.Errorf("%q is not in %s", says, text)
		}
	}
	if text := seen(htmlOf(t, paper(t, "j-201"))); !strings.Contains(text, "none changed during the test; changes on record up to its end: 0") {
		t.Error("a test without changes does not say so")
	}
}

// The checkpoint is the first over all records of the test: later ones do not change
// the paper.
func TestCheckpointOfTheTest(t *testing.T) {
	all := recordsIn(t, verified)
	for test, number := range map[string]uint64{"j-201": 15, "j-202": 22, "j-204": 49} {
		var d struct{ Root, Checkpoint string }
		if err := json.Unmarshal(all[number-1].Data, &d); err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(d.Checkpoint, "\n")
		text := seen(htmlOf(t, paper(t, test)))
		for _, says := range []string{
			"Origin " + lines[0], "Size " + lines[1] + " records", "Root " + lines[2], "Signature " + strings.TrimPrefix(lines[4], "— "),
			fmt.Sprintf("all records of this test (it is record %d,", number), "thimbled audit DIR --key", "ssh-keygen -Y verify",
		} {
			if !strings.Contains(text, says) {
				t.Errorf("%s does not say %q", test, says)
			}
		}
	}
	e, err := Find(sequence(all[:14]), "j-201") // inspected, not sealed again
	if err != nil || e.Sealed.Reference.Number != 13 || e.sealed() {
		t.Errorf("sealed by %+v, %v", e.Sealed, err)
	}
	if text := seen(htmlOf(t, New(e, nil, options()))); !strings.Contains(text, "the records up to the end of the test; later ones are not sealed yet") {
		t.Error("it is not told what is not sealed")
	}
	if e, err = Find(sequence(all[:12]), "j-201"); err != nil || e.Sealed != nil {
		t.Errorf("sealed by %+v, %v", e.Sealed, err)
	}
}

// A correction after the test is told where nobody can miss it, with both figures, and
// takes the certificate away if the verdict is worse.
func TestCorrectionIsProminent(t *testing.T) {
	c := paper(t, "j-206")
	checkLooks(t, "j-206", c, false)
	text := seen(htmlOf(t, c))
	for _, says := range []string{
		"Corrected proof-test record – NOT PASSED NOT PASSED – void Figures were corrected after they had been recorded; both stand below. " +
			"The test was recorded as passed; by the corrected figures it is void. This paper must not be used as a certificate of fitness. " +
			"Pull 8 was corrected (record 78): peak 100.47 kN (22586 lbf), not 102.44 kN ± 0.17 kN",
		"corrected (record 78) 8 101.00 kN (22706 lbf) 100.47 kN (22586 lbf)", "passed; corrected: void", "with the scale 122.6 x raw + 0.1 kN. Why: the scale of",
		"Held 23.700 s of 20 s 0.000 s of 20 s", "Verdict passed void (unverified, hold-not-reached)", "those recorded before the correction",
	} {
		if !strings.Contains(text, says) {
			t.Errorf("%q is not in %s", says, text)
		}
	}
	if strings.Contains(text, "below 0.1 %") {
		t.Error("a risk is stated of a figure that was corrected")
	}
	before, err := Find(sequence(recordsIn(t, verified)[:70]), "j-206")
	if err != nil || len(before.Corrections) != 0 {
		t.Fatalf("%+v, %v", before, err)
	}
	checkLooks(t, "before the correction", New(before, traces(t, before), options()), true)
}

// corrected is a test that passed or not, inspected or not, and corrected before or
// after that.
func corrected(t *testing.T, was, is peak.Verdict, inspections ...string) *Certificate {
	t.Helper()
	e := peak.TestEnded{Job: jobNamed("a", "A"), Verdict: was, Attempts: []peak.Attempt{{Ended: peak.PullEnded{Pull: 1, Verdict: was}}}}
	events := []peak.Event{peak.JobOpened{Job: e.Job}, peak.PullStarted{Pull: 1}, peak.PullEnded{Pull: 1}, e}
	for _, what := range inspections {
		if what == "corrected" {
			events = append(events, peak.PullCorrected{Old: e.Attempts[0].Ended, New: peak.PullEnded{Pull: 1, Verdict: is}})
		} else {
			events = append(events, peak.ItemInspected{Job: "a", Inspector: "B", Accepted: what == "accepted"})
		}
	}
	found, err := Find(sequence(tale(events...)), "a")
	if err != nil {
		t.Fatal(err)
	}
	return New(found, nil, options())
}

func TestOutcomeAfterACorrection(t *testing.T) {
	for _, c := range []struct {
		name, title string
		was, is     peak.Verdict
		then        []string
		released    bool
	}{
		{"still good", "Corrected proof-test certificate", peak.Pass, peak.Pass, []string{"accepted", "corrected"}, true},
		{"good before it was accepted", "Corrected proof-test certificate", peak.Pass, peak.Pass, []string{"corrected", "accepted"}, true},
		{"accepted before it needed review", "Corrected proof-test record – NOT RELEASED", peak.Pass, peak.Review, []string{"accepted", "corrected"}, false},
		{"reviewed", "Corrected proof-test certificate, after review", peak.Pass, peak.Review, []string{"accepted", "corrected", "accepted"}, true},
		{"rejected", "Corrected proof-test record – NOT RELEASED", peak.Pass, peak.Review, []string{"rejected", "corrected"}, false},
		{"worse", "Corrected proof-test record – NOT PASSED", peak.Pass, peak.Incomplete, []string{"corrected", "accepted"}, false},
		{"better does not count", "Corrected proof-test record – NOT PASSED", peak.Failed, peak.Pass, []string{"corrected", "accepted"}, false},
		{"judged by nothing", "Corrected proof-test certificate", peak.Pass, peak.Unassigned, []string{"accepted", "corrected"}, true},
		{"the last one counts", "Corrected proof-test record – NOT PASSED", peak.Pass, peak.Void, []string{"corrected", "corrected", "accepted"}, false},
	} {
		x := corrected(t, c.was, c.is, c.then...)
		if x.Outcome.Title != c.title || x.Outcome.Released != c.released {
			t.Errorf("%s: %q, released: %v", c.name, x.Outcome.Title, x.Outcome.Released)
		}
	}
	said := strings.Join(corrected(t, peak.Pass, peak.Review, "accepted", "corrected").Outcome.Because, " ")
	if !strings.Contains(said, "No inspection after the correction is on record.") {
		t.Errorf("says %q", said)
	}
}

// A correction of a pull that was made again does not touch the verdict of the test.
func TestCorrectionOfARepeatedPull(t *testing.T) {
	e := evidence(t, "j-204")
	wrong := e.Test.Attempts[1].Ended
	wrong.Verdict = peak.Failed
	e.Corrections = []Correction{{PullCorrected: peak.PullCorrected{Old: e.Test.Attempts[1].Ended, New: wrong}}}
	if got := e.verdict(); got != peak.Pass {
		t.Errorf("the test is %s", got)
	}
	e.Corrections[0].New.Pull = e.Test.Attempts[0].Ended.Pull
	if got := e.verdict(); got != peak.Failed {
		t.Errorf("the test is %s", got)
	}
}

// A trace that was removed leaves a paper without a curve.
func TestRemovedTraceIsTold(t *testing.T) {
	all := append(recordsIn(t, older), tale(peak.TraceRemoved{Pull: 1, Name: "traces/000000000004.csv"})...)
	all[len(all)-1].Number = uint64(len(all))
	e, err := Find(sequence(all), "j-101")
	if err != nil {
		t.Fatal(err)
	}
	text := seen(htmlOf(t, New(e, nil, options())))
	if says := fmt.Sprintf("There is no curve: the trace was removed on 2026-03-02 08:00:00 UTC (record %d); its digest stays on record.", len(all)); !strings.Contains(text, says) {
		t.Errorf("%q is not in %s", says, text)
	}
}

// The decision rules are named with the standards they are of.
func TestDecisionRulesAreNamed(t *testing.T) {
	for test, says := range map[string]string{
		"j-201": "guarded by the expanded uncertainty (k = 2) that was known before the pull: the force asked for is raised by it, and the limit of 112.50 kN (25291 lbf) is lowered by 0.34 kN (76 lbf) (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8.3)",
		"j-202": "simple acceptance: forces are compared as they were measured, whatever their uncertainty (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8.2)",
		"j-204": "guarded by a percentage, 1 % (ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8.3)",
	} {
		if text := seen(htmlOf(t, paper(t, test))); strings.Count(text, says) != 1 {
			t.Errorf("%s does not say once: %s", test, says)
		}
	}
}

// Of a normal distribution 2.275 % lie beyond two standard deviations, 0.135 % beyond
// three (common practice); rounded up.
func TestRisksAreShown(t *testing.T) {
	at := func(held, limit peak.Force, v peak.Verdict) [][]string {
		b := peak.Known(peak.Budget{Noise: 100 * peak.Newton})
		c := &Certificate{e: &Evidence{Budgeted: true}, figures: newFigures(options().Units, 0)}
		return c.budgetRows(peak.PullEnded{
			Pull: 3, Verdict: v, Held: peak.Known(held), Peak: peak.Known(held), HeldBudget: b, PeakBudget: b,
			Requirement: peak.Known(peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(limit)}),
		})
	}
	for _, c := range []struct {
		held, limit peak.Force
		verdict     peak.Verdict
		peak, hold  string
	}{
		{100_200 * peak.Newton, 100_500 * peak.Newton, peak.Pass, "0.2 %", "2.3 %"},
		{100_000 * peak.Newton, 112_000 * peak.Newton, peak.Review, "below 0.1 %", "50.0 %"},
		{100_200 * peak.Newton, 100_500 * peak.Newton, peak.Void, "–", "–"},
	} {
		rows := at(c.held, c.limit, c.verdict)
		if got, want := spaced(fmt.Sprint(rows)), fmt.Sprintf("[[3 peak 0.0 0.0 0.0 0.0 0.0 100.0 0.0 100.0 200.0 %s] [3 held 0.0 0.0 0.0 0.0 0.0 100.0 0.0 100.0 200.0 %s]]", c.peak, c.hold); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
	for p, want := range map[float64]string{0: "below 0.1 %", 0.00099: "below 0.1 %", 0.001: "0.1 %", 0.00101: "0.2 %", 1: "100.0 %"} {
		if got := spaced(probability(p)); got != want {
			t.Errorf("%v is %q, want %q", p, got, want)
		}
	}
}

// An uncertainty is never shown smaller than it is.
func TestTwoDigits(t *testing.T) {
	for _, c := range []struct {
		u    peak.Force
		unit peak.ForceUnit
		want string
	}{
		{293_286, peak.UnitKN, "0.30 kN"}, {293_286, peak.UnitN, "300 N"}, {290_000, peak.UnitN, "290 N"}, {290_001, peak.UnitN, "300 N"},
		{995_001, peak.UnitN, "1000 N"}, {99_500, peak.UnitKN, "0.10 kN"}, {1_234_000, peak.UnitKN, "1.3 kN"}, {12_300_000, peak.UnitKN, "13 kN"},
		{1, peak.UnitKN, "0.0000010 kN"}, {1, peak.UnitMN, "0.000000001 MN"}, {0, peak.UnitKN, "0.000000000 kN"}, {293_286, peak.UnitLbf, "66 lbf"},
		{math.MaxInt64, peak.UnitN, "9300000000000000 N"},
	} {
		if got := spaced(twoDigits(c.unit, c.u)); got != c.want {
			t.Errorf("%v in %v is %q, want %q", c.u, c.unit, got, c.want)
		}
	}
	f := newFigures(Units{Force: peak.UnitKN, Both: true}, 50*peak.Newton)
	if got := spaced(f.measured(102_660*peak.Newton, peak.Known(peak.Force(293_286)))); got != "102.66 kN ± 0.30 kN (23079 lbf ± 66 lbf)" {
		t.Errorf("measured: %q", got)
	}
}

// The verified bench's papers stay inside their margins and keep within a few pages.
func TestVerifiedPages(t *testing.T) {
	t.Parallel()
	for _, size := range []Paper{A4, Letter} {
		for _, test := range verifiedTests {
			c := paper(t, test)
			c.Paper = size
			pages := wordsOf(t, pdfOf(t, c))
			if most := 3 + len(c.Pulls); len(pages) > most {
				t.Errorf("%s on %s has %d pages", test, size, len(pages))
			}
			for i, p := range pages {
				checkInside(t, fmt.Sprintf("%s on %s, page %d", test, size, i+1), p)
			}
		}
	}
}

// Long words of people in what this paper says of verification and corrections wrap.
func TestLongTextsOfTheVerifiedBench(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("Überlastsicherungsprüfvorrichtung", 12) + " <b>end"
	e := evidence(t, "j-206")
	for i := range e.Corrections {
		x := &e.Corrections[i]
		x.By, x.Why, x.Scale = long, long, long
	}
	for pull, all := range e.Verified {
		v := all[0]
		v.By, v.Serial, v.Scale, v.Report, v.ISOClass, v.Standard.Name = long, long, long, long, long, long
		e.Verified[pull] = []Verified{v}
	}
	e.Changes = []Change{{Change: peak.Change{Name: long, Old: peak.Known(long), New: peak.Known(long)}}}
	e.Sealed.Checkpoint, e.Sealed.Root, e.Sealed.Key = long+"\n\n"+long, long, long
	c := New(e, traces(t, e), options())
	for i, p := range wordsOf(t, pdfOf(t, c)) {
		checkInside(t, fmt.Sprint("page ", i+1), p)
	}
	if page := htmlOf(t, c); strings.Contains(page, "<b>end") || strings.Count(page, "&lt;b&gt;end") < 12 {
		t.Error("what was written is not shown as it is")
	}
}

// Whatever the records beside a test say, they are refused with an error or there is a
// paper of the test.
func FuzzStanding(f *testing.F) {
	types := []string{peak.TypeForceVerified, peak.TypeParametersChanged, peak.TypePullCorrected, peak.TypeJournalSealed, peak.TypeTraceRemoved}
	all := recordsIn(f, verified)
	for _, r := range all {
		for i, kind := range types {
			if r.Type == kind {
				f.Add(uint8(i), []byte(r.Data))
			}
		}
	}
	var ended, started publish.Record
	for _, r := range all {
		switch {
		case r.Type == peak.TypePullStarted && bytes.Contains(r.Data, []byte("j-206")):
			started = r
		case r.Type == peak.TypeTestEnded && bytes.Contains(r.Data, []byte("j-206")):
			ended = r
		}
	}
	f.Fuzz(func(t *testing.T, kind uint8, data []byte) {
		odd := publish.Record{Event: publish.Event{Type: types[int(kind)%len(types)], Time: ended.Time, Data: data}, Source: ended.Source, Line: data}
		var journal []publish.Record
		for i, r := range []publish.Record{odd, started, ended, odd} {
			r.Number = uint64(i + 1)
			journal = append(journal, r)
		}
		if e, err := Find(sequence(journal), "j-206"); err == nil {
			c := New(e, nil, options())
			htmlOf(t, c)
			if err := c.draw(0).pdf.Error(); err != nil {
				t.Fatal(err)
			}
		}
		v, err := FindVerification(sequence(journal), "1")
		if err != nil {
			return
		}
		r := NewReport(v, options())
		htmlOf(t, r)
		if err := r.draw(0).pdf.Error(); err != nil {
			t.Fatal(err)
		}
	})
}
