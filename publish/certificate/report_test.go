package certificate

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/peak/verify"
	"thimbled/publish"
)

// reportOf makes the report of a verification of the verified bench.
func reportOf(t testing.TB, number string) *Report {
	t.Helper()
	v, err := FindVerification(sequence(recordsIn(t, verified)), number)
	if err != nil {
		t.Fatal(err)
	}
	o := options()
	o.Setup = verifiedSetup()
	return NewReport(v, o)
}

func TestReportGolden(t *testing.T) {
	golden(t, "verification-5.html", htmlOf(t, reportOf(t, "5")))
}

// Every comparison and every level of it is on the report: worked out in floating point
// from the record's JSON. The error is of the applied force; q is the mean of the errors of
// a force, E4 repeatability and b by ISO 7500-1 of 2015 their spread (from memory).
func TestReportHasEveryFigure(t *testing.T) {
	t.Parallel()
	for _, number := range []int{5, 30} {
		d, r := verifiedIn(t, number), reportOf(t, fmt.Sprint(number))
		decimals := map[int]int{5: 3, 30: 3}[number]
		page, pdf := seen(htmlOf(t, r)), textOf(t, pdfOf(t, r))
		errors := map[float64][]float64{}
		for _, p := range d.Points {
			percent := "zero return"
			if p.Applied != 0 {
				e := (p.Indicated - p.Applied) / p.Applied * 100
				percent, errors[p.Applied] = fourDecimals(e), append(errors[p.Applied], e)
			}
			line := fmt.Sprintf("%d %.*f %.*f %.1f %s", p.Run, decimals, p.Applied/1000, decimals, p.Indicated/1000, p.Indicated-p.Applied, percent)
			for name, text := range map[string]string{"page": page, "paper": pdf} {
				if !strings.Contains(strings.ReplaceAll(text, "−", "-"), line) {
					t.Errorf("record %d: the %s does not show %q", number, name, line)
				}
			}
		}
		for applied, all := range errors {
			least, most, sum := all[0], all[0], 0.0
			for _, e := range all {
				least, most, sum = math.Min(least, e), math.Max(most, e), sum+e
			}
			largest, spread := math.Max(math.Abs(least), math.Abs(most)), fourDecimals(most-least)
			begins := fmt.Sprintf("%.2f 3 %.4f %s %s ", applied/1000, largest, spread, fourDecimals(sum/float64(len(all))))
			if _, rest, found := strings.Cut(page, begins); !found || !strings.Contains(rest[:30], spread) {
				t.Errorf("record %d: the page does not show %q, and %s again", number, begins, spread)
			}
		}
		for _, says := range []string{
			"The points on record were judged again for this report, with the same result.", "class " + d.Class + " for ", d.Standard, "SHA-256 " + r.Digest,
			fmt.Sprintf("Verified from %.2f kN to %.2f kN", d.From/1000, d.To/1000), d.Until.Format("2006-01-02 15:04:05 UTC"), "signed", "no safety device",
		} {
			if !strings.Contains(strings.ToLower(page), strings.ToLower(says)) {
				t.Errorf("record %d: the page does not say %q", number, says)
			}
		}
	}
}

func fourDecimals(x float64) string {
	if math.Abs(x) < 0.00005 {
		return "0.0000"
	}
	return fmt.Sprintf("%.4f", x)
}

// publishedReport is the report of the published readings of force_verification.csv, with
// what a record would say of them.
func publishedReport(t testing.TB, change func(*peak.Verification)) *Report {
	t.Helper()
	f, err := os.Open("../../testdata/verify/readings.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(f).ReadAll()
	if err = errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	var points []peak.Point
	for i, row := range rows[1:] {
		p := peak.Point{At: time.Duration(i) * time.Minute}
		applied, err := strconv.ParseFloat(row[1], 64)
		if err == nil {
			p.Run, err = strconv.Atoi(row[0])
		}
		if err != nil {
			t.Fatal(err)
		}
		indicated, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		p.Applied, p.Indicated = force(applied), force(indicated)
		points = append(points, p)
	}
	v := peak.Verification{
		From: 150 * peak.Kilonewton, To: 1500 * peak.Kilonewton, Until: 365 * 24 * time.Hour, Standard: peak.Standard{Name: "RC-7", Uncertainty: peak.Percent / 10},
	}
	j := verify.Judge((&VerificationEvidence{Points: points}).session(50*peak.Newton, 0, peak.UnitKN))
	v.MaxError, v.Repeatability = peak.Ratio(math.Ceil(j.MaxError()*10_000-1e-6)), peak.Ratio(math.Ceil(j.MaxRepeatability()*10_000-1e-6))
	v.ISOClass = fmt.Sprintf("%g", j.Class)
	if change != nil {
		change(&v)
	}
	found, err := FindVerification(sequence(tale(started("1"), peak.ForceVerified{Verification: v, Points: points})), "2")
	if err != nil {
		t.Fatal(err)
	}
	o := options()
	o.Setup = Setup{Recorded: true, Capacity: 2 * peak.Meganewton, Division: 50 * peak.Newton, LoadEvery: 20 * time.Millisecond}
	return NewReport(found, o)
}

// The percent errors of the published readings (computed exactly from the NIST StRD set
// Pontius) are those on the paper, to the four decimals that it has.
func TestReportOfPublishedReadings(t *testing.T) {
	f, err := os.Open("../../peak/verify/testdata/force_verification.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(f).ReadAll()
	if err = errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	r := publishedReport(t, nil)
	if !r.Outcome.Released {
		t.Errorf("the outcome is %+v", r.Outcome)
	}
	text := seen(htmlOf(t, r))
	checked := 0
	for _, row := range rows[1:] {
		for i, cell := range row {
			if name := rows[0][i]; name != "percent_error1_E4" && name != "percent_error2_E4" && name != "repeatability_E4_pct" && name != "iso_q_mean_pct" {
				continue
			}
			x, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			checked++
			if !strings.Contains(text, fourDecimals(x)) {
				t.Errorf("%s: %s is not on the report", rows[0][i], fourDecimals(x))
			}
		}
	}
	if checked != 40 {
		t.Errorf("%d figures were looked for", checked)
	}
}

// A result that its points do not come to is told as such, whatever was changed.
func TestReportThatDoesNotAgree(t *testing.T) {
	for says, change := range map[string]func(*peak.Verification){
		"verified from 150.00 kN to 1500.00 kN": func(v *peak.Verification) { v.From -= peak.Newton },
		"a largest error of 0.2":                func(v *peak.Verification) { v.MaxError -= 2 },
		"a repeatability of 0.":                 func(v *peak.Verification) { v.Repeatability += 2 },
		"class 0.5 of ISO 7500-1":               func(v *peak.Verification) { v.ISOClass = "" },
	} {
		r := publishedReport(t, change)
		text := spaced(strings.Join(r.Outcome.Because, " "))
		if r.Outcome.Released || !strings.Contains(r.Outcome.Title, "DOES NOT AGREE") || !strings.Contains(text, says) {
			t.Errorf("%s: %+v", says, r.Outcome)
		}
	}
}

// What limits or refuses a verification is told with its rule, and so is what could not be
// judged.
func TestReportTellsFindings(t *testing.T) {
	points := func(runs int, forces ...float64) (out []peak.Point) {
		for run := range runs {
			for _, f := range forces {
				out = append(out, peak.Point{Run: run + 1, Applied: force(f), Indicated: force(f)})
			}
		}
		return out
	}
	report := func(setup Setup, points []peak.Point) *Report {
		v := peak.Verification{From: peak.Newton, To: 2 * peak.Newton, Until: time.Hour}
		found, err := FindVerification(sequence(tale(peak.ForceVerified{Verification: v, Points: points})), "1")
		if err != nil {
			t.Fatal(err)
		}
		o := options()
		o.Setup = setup
		return NewReport(found, o)
	}
	known := Setup{Recorded: true, Division: 50 * peak.Newton, Capacity: 250 * peak.Kilonewton}
	for _, c := range []struct {
		setup  Setup
		points []peak.Point
		says   string
	}{
		{known, points(1, 40e3, 80e3, 120e3, 160e3, 200e3), "Refused by ASTM E4, number of runs"},
		{known, points(3, 1e3, 40e3, 80e3, 120e3, 160e3, 200e3), "Limited by ASTM E4, lower limit of 200 resolutions"},
		{known, points(2, 40e3, 80e3, 120e3, 160e3, 300e3), "Remark, by capacity of the bench"},
		{Setup{}, points(3, 40e3, 80e3, 120e3, 160e3, 200e3), "The division of the range is not on record"},
		{known, nil, "The points are not on record, so the result could not be judged again."},
		{known, []peak.Point{{Run: 1, Applied: -5}, {Run: -1, Applied: -1e18, Indicated: 1e18}, {Run: 1, Applied: 9e18}}, "Refused by"},
	} {
		r := report(c.setup, c.points)
		if text := seen(htmlOf(t, r)); !strings.Contains(text, c.says) {
			t.Errorf("%q is not in %s", c.says, text)
		}
		if err := r.draw(0).pdf.Error(); err != nil {
			t.Error(err)
		}
	}
}

func TestFindVerificationSaysWhichThereAre(t *testing.T) {
	var events []peak.Event
	for range 25 {
		events = append(events, peak.ForceVerified{Verification: peak.Verification{Range: "low\n", From: peak.Newton, To: peak.Kilonewton}})
	}
	var none *NotVerifiedError
	for _, word := range []string{"x", "", "26", "-1"} {
		_, err := FindVerification(sequence(tale(append(events, started("1"))...)), word)
		if !errors.As(err, &none) || !strings.HasPrefix(err.Error(), fmt.Sprintf("record %q is no verification of the force readings; name one by the number of its record (the last of 25)", word)) {
			t.Fatalf("%q: %v", word, err)
		}
		lines := strings.Split(err.Error(), "\n")
		if last := spaced(lines[len(lines)-1]); len(lines) != 21 || last != "  record 25  made 2026-03-02 08:00:00 UTC  1 N to 1000 N  range low" {
			t.Errorf("the last of %d lines is %q", len(lines), last)
		}
	}
	if _, err := FindVerification(sequence(nil), "5"); !errors.As(err, &none) || !strings.HasSuffix(err.Error(), "; the journal has none") {
		t.Errorf("an empty journal: %v", err)
	}
	broken := errors.New("broken")
	if _, err := FindVerification(func(yield func(publish.Record, error) bool) { yield(publish.Record{}, broken) }, "5"); !errors.Is(err, broken) {
		t.Errorf("error %v", err)
	}
}

// A report says whether another verification of its range took its place, and which
// checkpoint seals it.
func TestReportSaysWhatCameLater(t *testing.T) {
	of := func(name string) peak.Event {
		return peak.ForceVerified{Verification: peak.Verification{Range: name, Until: time.Hour}}
	}
	all := tale(peak.DaemonStarted{Version: "1", ConfigDigest: "ab"}, of("low"), of("high"), peak.JournalSealed{Size: 1}, peak.JournalSealed{Size: 4, Checkpoint: "a\n4\nb\n\n— a c\n"}, of("low"), of("low"))
	v, err := FindVerification(sequence(all), "2")
	if err != nil || v.Replaced == nil || v.Replaced.Number != 6 || v.Sealed == nil || v.Sealed.Reference.Number != 5 || v.Run.Version != "1" {
		t.Fatalf("%+v, %v", v, err)
	}
	text := seen(htmlOf(t, NewReport(v, options())))
	for _, says := range []string{"Replaced by record 6, 2026-03-02 08:00:05 UTC", "this record (it is record 5,", "not stated: what the bench was set to is not on record"} {
		if !strings.Contains(text, says) {
			t.Errorf("%q is not in %s", says, text)
		}
	}
	if v, err = FindVerification(sequence(all), "7"); err != nil || v.Replaced != nil || v.Sealed != nil {
		t.Errorf("%+v, %v", v, err)
	}
}

// Whatever the errors are, everything lies inside the figure: the limits of 1 %, each run
// with its name and marks, the verified range.
func TestErrorPlotHasRoomForEverything(t *testing.T) {
	chance := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		scale := math.Pow(10, float64(chance.IntN(12)-2))
		wrong := math.Pow(10, float64(chance.IntN(9)-6))
		r := &Report{figures: newFigures(Units{Force: peak.ForceUnit(chance.IntN(12))}, 0)}
		runs := 1 + chance.IntN(12)
		for run := range runs {
			for level := range 1 + chance.IntN(6) {
				x := verify.Row{Reading: verify.Reading{Run: run + 1, Applied: scale * float64(level+1)}, Percent: wrong * chance.NormFloat64()}
				r.judged.Rows = append(r.judged.Rows, x)
			}
		}
		r.judged.Verified, r.judged.From, r.judged.To = true, scale, 3*scale
		f := newErrorPlot(r).figure()
		count := map[ink]int{}
		for _, l := range f.lines {
			count[l.ink]++
			for _, d := range l.dots {
				if d.x < 0 || d.x > f.wide || d.y < 0 || d.y > plotBottom+tickLen {
					t.Fatalf("%s at %v in a figure of %v by %v", l.ink, d, f.wide, f.high)
				}
			}
		}
		numbers := 0
		for _, l := range f.labels {
			if l.side == end {
				numbers++
			}
		}
		if named := min(runs, mostNamed); count[inkRun] != runs || count[inkLimit] != 3 || count[inkMark] != len(r.judged.Rows)+named || len(f.areas) != 1 || numbers < 4 || numbers > 12 {
			t.Fatalf("%d runs: lines %v, %d areas, %d numbers", runs, count, len(f.areas), numbers)
		}
	}
}

func TestReportPages(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("Überlastsicherungsprüfvorrichtung", 12)
	for name, r := range map[string]*Report{
		"record 5": reportOf(t, "5"), "record 30": reportOf(t, "30"), "published": publishedReport(t, nil),
		"long texts": publishedReport(t, func(v *peak.Verification) {
			v.Serial, v.Scale, v.By, v.Report, v.Standard.Name, v.Range = long, long, long, long, long, ""
		}),
	} {
		for _, size := range []Paper{A4, Letter} {
			r.Paper = size
			pages := wordsOf(t, pdfOf(t, r))
			if len(pages) > 3 {
				t.Errorf("%s on %s has %d pages", name, size, len(pages))
			}
			for i, p := range pages {
				checkInside(t, fmt.Sprintf("%s on %s, page %d", name, size, i+1), p)
			}
		}
	}
	for _, write := range []func() error{func() error { return reportOf(t, "5").HTML(broken{}) }, func() error { return reportOf(t, "5").PDF(broken{}) }} {
		if err := write(); !errors.Is(err, errBroken) || !strings.Contains(err.Error(), "report dock-3-5") {
			t.Errorf("error %v", err)
		}
	}
}
