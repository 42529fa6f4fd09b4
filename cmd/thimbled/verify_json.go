package main

import (
	"thimbled/peak"
	"thimbled/peak/verify"
)

// olderEdition names the edition that iso_b_percent is by, laterEdition that of
// iso_b_2015_percent.
const (
	olderEdition = "ISO 7500-1, editions before 2015"
	laterEdition = "ISO 7500-1:2015 and later"
)

// verifiedJSON is a judged verification as programs read it.
type verifiedJSON struct {
	Bench       string  `json:"bench"`
	Range       string  `json:"range"`
	Serial      string  `json:"serial"`
	Standard    string  `json:"standard"`
	Uncertainty string  `json:"standard_uncertainty"`
	By          string  `json:"by"`
	On          string  `json:"made_on"`
	Until       *string `json:"valid_until"` // null if nothing is verified
	Resolution  float64 `json:"resolution_newtons"`
	reportJSON

	unit peak.ForceUnit // that people see
}

// reportJSON is what the readings alone come to.
type reportJSON struct {
	Methods     []string         `json:"methods"`
	Rows        []verifiedRow    `json:"rows"`
	Levels      []verifiedLevel  `json:"levels"`
	Verified    bool             `json:"verified"`
	From        *float64         `json:"verified_from_newtons"`
	To          *float64         `json:"verified_to_newtons"`
	Class       *float64         `json:"iso_class"`
	ClassFrom   *float64         `json:"iso_class_from_newtons"` // the verified range, or all forces if there is none
	ClassTo     *float64         `json:"iso_class_to_newtons"`
	ClassLimit  *float64         `json:"iso_lower_limit_newtons"`
	Series      int              `json:"iso_series"`
	MaxError    float64          `json:"largest_error_percent"`
	MaxRepeat   float64          `json:"largest_repeatability_percent"`
	ZeroReturns int              `json:"zero_returns"`
	ZeroReturn  float64          `json:"largest_zero_return_percent"` // of the highest force
	Findings    []verifiedReason `json:"findings"`
}

type verifiedRow struct {
	Run       int      `json:"run"`
	Applied   float64  `json:"applied_newtons"`
	Indicated float64  `json:"indicated_newtons"`
	Error     float64  `json:"error_newtons"`
	Percent   *float64 `json:"percent_error"` // null for a zero reading
}

type verifiedLevel struct {
	Applied       float64  `json:"applied_newtons"`
	Runs          int      `json:"runs"`
	MaxError      float64  `json:"largest_error_percent"`
	Repeatability *float64 `json:"e4_repeatability_percent"` // null with one run, as both b
	Q             float64  `json:"iso_q_percent"`
	BOlder        *float64 `json:"iso_b_percent"`
	Edition       string   `json:"iso_b_edition"`
	BLater        *float64 `json:"iso_b_2015_percent"`
	EditionLater  string   `json:"iso_b_2015_edition"`
	Resolution    float64  `json:"iso_a_percent"`
	Verified      bool     `json:"verified"`
}

type verifiedReason struct {
	Rule   string        `json:"rule"`
	Effect verify.Effect `json:"effect"`
	Text   string        `json:"text"`
}

func newVerifiedJSON(r verify.Report) verifiedJSON {
	return verifiedJSON{reportJSON: newReportJSON(r)}
}

func newReportJSON(r verify.Report) reportJSON {
	j := reportJSON{
		Methods: []string{"ASTM E4", "ISO 7500-1"}, Rows: []verifiedRow{}, Levels: []verifiedLevel{}, Findings: []verifiedReason{},
		Verified: r.Verified, Series: r.Runs, MaxError: r.MaxError(), MaxRepeat: r.MaxRepeatability(),
		ZeroReturns: r.ZeroReturns, ZeroReturn: r.ZeroReturn,
	}
	if r.Verified {
		j.From, j.To = &r.From, &r.To
	}
	if r.Class > 0 {
		j.Class, j.ClassFrom, j.ClassTo, j.ClassLimit = &r.Class, &r.ClassFrom, &r.ClassTo, &r.ClassLowerLimit
	}
	for _, x := range r.Rows {
		j.Rows = append(j.Rows, newVerifiedRow(x))
	}
	for _, l := range r.Levels {
		j.Levels = append(j.Levels, newVerifiedLevel(l))
	}
	for _, f := range r.Findings {
		j.Findings = append(j.Findings, verifiedReason{Rule: f.Rule, Effect: f.Effect, Text: f.Text})
	}
	return j
}

func newVerifiedRow(x verify.Row) verifiedRow {
	j := verifiedRow{Run: x.Run, Applied: x.Applied, Indicated: x.Indicated, Error: x.Error}
	if x.Applied != 0 {
		j.Percent = &x.Percent
	}
	return j
}

func newVerifiedLevel(l verify.Level) verifiedLevel {
	j := verifiedLevel{
		Applied: l.Applied, Runs: l.Runs, MaxError: l.MaxError, Q: l.Q,
		Edition: olderEdition, EditionLater: laterEdition, Resolution: l.Resolution, Verified: l.Verified,
	}
	if l.Runs > 1 {
		j.Repeatability, j.BOlder, j.BLater = &l.Repeatability, &l.BOlder, &l.BLater
	}
	return j
}
