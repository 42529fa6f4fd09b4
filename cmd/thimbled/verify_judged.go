package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"thimbled/peak"
	"thimbled/peak/verify"
)

// judged is what a verification came to by the rules.
type judged struct{ verify.Report }

// judgeSession judges the points that were taken so far.
func (d *daemon) judgeSession(s peak.Session) judged {
	var readings []verify.Reading
	for _, p := range s.Points {
		readings = append(readings, verify.Reading{Run: p.Run, Applied: inNewtons(p.Applied), Indicated: inNewtons(p.Indicated)})
	}
	return d.judge(readings, s.Range, s.Standard)
}

// judgeReadings judges a table of readings.
func (d *daemon) judgeReadings(table, name string, by peak.Standard) (judged, error) {
	readings, err := verify.ReadCSV(strings.NewReader(table))
	if err != nil {
		return judged{}, err
	}
	return d.judge(readings, name, by), nil
}

func (d *daemon) judge(readings []verify.Reading, name string, by peak.Standard) judged {
	division := d.config.Bench.Division
	for _, r := range d.config.Ranges {
		if r.Name == name {
			division = r.Division
		}
	}
	return judged{verify.Judge(verify.Session{
		Readings: readings, Resolution: inNewtons(division), Capacity: inNewtons(d.config.Bench.Capacity),
		Standard: by, Unit: d.config.Bench.Show,
	})}
}

func inNewtons(f peak.Force) float64 { return float64(f) / float64(peak.Newton) }

// refusal says why nothing is verified.
func (j judged) refusal() string { return "not verified: " + strings.Join(j.lacks(), "; ") }

// lacks says what speaks against the verification, or makes its range smaller, each
// with the rule that it is by.
func (j judged) lacks() []string {
	out := []string{}
	for _, f := range j.Findings {
		if f.Effect != verify.Remark {
			out = append(out, f.Rule+": "+f.Text)
		}
	}
	return out
}

// verification is the result as pulls are judged by it: the range is never wider, and
// errors never smaller, than what was found.
func (j judged) verification() peak.Verification {
	v := peak.Verification{
		From: peak.Force(upToDust(j.From * 1000)), To: peak.Force(-upToDust(-j.To * 1000)),
		MaxError: peak.Ratio(upToDust(j.MaxError() * 10_000)), Repeatability: peak.Ratio(upToDust(j.MaxRepeatability() * 10_000)),
	}
	if j.Class > 0 {
		v.ISOClass = strconv.FormatFloat(j.Class, 'g', -1, 64)
	}
	return v
}

// upToDust rounds up, but for what only the arithmetic of real numbers left over.
func upToDust(x float64) int64 { return int64(math.Ceil(x - 1e-6)) }

// points are the readings as the record has them.
func (j judged) points(at time.Duration) []peak.Point {
	var out []peak.Point
	for _, r := range j.Rows {
		out = append(out, peak.Point{Run: r.Run, Applied: inForce(r.Applied), Indicated: inForce(r.Indicated), At: at})
	}
	return out
}

func inForce(newtons float64) peak.Force { return peak.Force(math.Round(newtons * 1000)) }

// verificationBy is what a judgement comes to for this bench; the loop calls it.
func (d *daemon) verificationBy(j judged, standard peak.Standard, by string) peak.Verification {
	set := d.config.Settings()
	v := j.verification()
	v.Serial, v.Scale, v.Standard, v.By = set.Serial, set.Scale, standard, by
	v.Constant = d.loop.machine.State().Constant
	return v
}

// Force readings are verified every 12 months, and at the latest after 18 (ASTM E4,
// from memory).
const usualMonths, mostMonths = 12, 18

func checkMonths(n int) error {
	if n < 1 || n > mostMonths {
		return fmt.Errorf("a verification counts for 1 to %d months, not %d", mostMonths, n)
	}
	return nil
}

// untilAfter is the last second of the day so many months after a moment, where the
// bench stands; of a shorter month its last day.
func untilAfter(from time.Time, months int) time.Time {
	from = from.Local()
	first := time.Date(from.Year(), from.Month()+time.Month(months), 1, 23, 59, 59, 0, time.Local)
	last := first.AddDate(0, 1, -1)
	return first.AddDate(0, 0, min(from.Day(), last.Day())-1)
}
