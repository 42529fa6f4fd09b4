package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"thimbled/peak"
	"thimbled/peak/calibrate"
)

const calibrateArgs = "[--degree 1|2|3] [--unit U] [--json] CSV"

func calibrateCommand(_ context.Context, out streams, args []string) error {
	f := flags(out, "calibrate", calibrateArgs)
	degree := f.Int("degree", 2, "`degree` of the curve: 1, 2 or 3")
	unitName := f.String("unit", "kN", "the load's `unit` in the config, which the scale is for; figures are shown in it too")
	asJSON := f.Bool("json", false, "answer in JSON, in newtons")
	words, err := parseMixed(f, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return usagef("need one CSV file with the signal and the applied force (raw,applied_N); thimbled calibrate --help says more")
	}
	if *degree < calibrate.LeastDegree || *degree > calibrate.MostDegree {
		return usagef("--degree: %w", calibrate.ErrDegree)
	}
	unit, err := peak.ParseForceUnit(*unitName)
	if err != nil {
		return usagef("--unit: %w", err)
	}
	in, err := openTrace(words[0])
	if err != nil {
		return fmt.Errorf("read readings: %w", err)
	}
	defer in.Close()
	readings, err := calibrate.ReadCSV(in)
	if err != nil {
		return fmt.Errorf("%s: %w", words[0], err)
	}
	return answerCalibration(out.out, readings, *degree, unit, *asJSON)
}

// answerCalibration tells a calibration, or why there is none.
func answerCalibration(w io.Writer, readings []calibrate.Reading, degree int, unit peak.ForceUnit, asJSON bool) error {
	c, err := calibrate.Calibrate(readings, degree)
	switch {
	case err != nil && asJSON:
		return errors.Join(encodePlain(w, refusedCalibration{Degree: degree, Readings: len(readings), Refused: err.Error()}), errNo)
	case err != nil:
		fmt.Fprintln(w, "no:", err)
		return errNo
	case asJSON:
		return encodePlain(w, newCalibrationJSON(c, unit))
	}
	return tellCalibration(w, c, unit)
}

// scaleOf are the coefficients of the inverse fit for the load's unit.
func scaleOf(c *calibrate.Calibration, unit peak.ForceUnit) []float64 {
	out := make([]float64, len(c.Inverse.Coefficients))
	for i, b := range c.Inverse.Coefficients {
		out[i] = b / unit.Newtons()
	}
	return out
}

func tellCalibration(w io.Writer, c *calibrate.Calibration, unit peak.ForceUnit) error {
	show := func(newtons float64) string { return fmt.Sprintf("%.6g %v", newtons/unit.Newtons(), unit) }
	fmt.Fprintf(w, "%d readings at %d forces from %s to %s, signal from %.6g to %.6g; degree %d\n\n",
		len(c.Readings), c.Levels, show(c.From), show(c.To), c.RawFrom, c.RawTo, c.Degree)
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "\tSIGNAL BY FORCE IN N\tSTANDARD DEVIATION\tFORCE IN N BY SIGNAL\tSTANDARD DEVIATION")
	a, b := c.Response, c.Inverse
	for k := range a.Coefficients {
		fmt.Fprintf(table, "B%d\t%.15g\t%.6g\t%.15g\t%.6g\n", k, a.Coefficients[k], a.Deviations[k], b.Coefficients[k], b.Deviations[k])
	}
	fmt.Fprintf(table, "residual SD\t%.6g\t\t%.6g\n", a.ResidualSD, b.ResidualSD)
	fmt.Fprintf(table, "R^2\t%.12g\t\t%.12g\n", a.RSquared, b.RSquared)
	fmt.Fprintf(table, "degrees of freedom\t%d\t\t%d\n", a.DegreesOfFreedom, b.DegreesOfFreedom)
	fmt.Fprintf(table, "lack of fit\t%s\t\t%s\n", lackText(a.LackOfFit), lackText(b.LackOfFit))
	fmt.Fprintln(table, "\nASTM E74\tBY THE SIGNAL\t\tBY THE FORCE")
	fmt.Fprintf(table, "lower limit factor\t%.6g, %s\t\t%s\n", c.E74.Factor, show(c.E74.Response.Factor), show(c.E74.Inverse.Factor))
	fmt.Fprintf(table, "class A from\t%s\t\t%s\n", show(c.E74.Response.ClassA), show(c.E74.Inverse.ClassA))
	fmt.Fprintf(table, "class AA from\t%s\t\t%s\n\n", show(c.E74.Response.ClassAA), show(c.E74.Inverse.ClassAA))
	tellResiduals(table, c, unit)
	if err := table.Flush(); err != nil {
		return err
	}
	for _, n := range c.Notes() {
		fmt.Fprintln(w, "note:", n)
	}
	_, err := fmt.Fprintf(w, "\n# For the config; [load] then has unit = %q, and neither scale nor offset.\n%s", unit, scaleSection(c, unit))
	return err
}

// tellResiduals lists what the curve that is used makes of each reading.
func tellResiduals(w io.Writer, c *calibrate.Calibration, unit peak.ForceUnit) {
	fmt.Fprintf(w, "SIGNAL\tAPPLIED %v\tCURVE %v\tRESIDUAL %v\n", unit, unit, unit)
	for i, r := range c.Readings {
		rest := c.Inverse.Residuals[i]
		one := func(newtons float64) string { return fmt.Sprintf("%.7g", newtons/unit.Newtons()) }
		fmt.Fprintf(w, "%.7g\t%s\t%s\t%+.3g\n", r.Raw, one(r.Applied), one(r.Applied-rest), rest/unit.Newtons())
	}
}

func lackText(l *calibrate.LackOfFit) string {
	if l == nil {
		return "no repeated readings"
	}
	return fmt.Sprintf("F(%d, %d) = %.4f, p = %.3g", l.DF1, l.DF2, l.F, l.P)
}

// scaleSection is the config's section with every digit.
func scaleSection(c *calibrate.Calibration, unit peak.ForceUnit) string {
	var texts []string
	for _, b := range scaleOf(c, unit) {
		texts = append(texts, strconv.FormatFloat(b, 'g', -1, 64))
	}
	return "[load.scale]\ncoefficients = [" + strings.Join(texts, ", ") + "]\n"
}

// calibrationJSON is a calibration as programs read it.
type calibrationJSON struct {
	Method   string    `json:"method"`
	Degree   int       `json:"degree"`
	Readings int       `json:"readings"`
	Levels   int       `json:"forces"`
	From     float64   `json:"applied_from_newtons"`
	To       float64   `json:"applied_to_newtons"`
	RawFrom  float64   `json:"raw_from"`
	RawTo    float64   `json:"raw_to"`
	Response fitJSON   `json:"response"` // the signal by the force
	Inverse  fitJSON   `json:"inverse"`  // the force by the signal
	E74      e74JSON   `json:"e74"`
	Scale    scaleJSON `json:"load_scale"`
	Notes    []string  `json:"notes"`
}

// refusedCalibration says why there is none.
type refusedCalibration struct {
	Degree   int    `json:"degree"`
	Readings int    `json:"readings"`
	Refused  string `json:"refused"`
}

type fitJSON struct {
	Coefficients     []float64 `json:"coefficients"` // B0, B1, …
	Deviations       []float64 `json:"standard_deviations"`
	ResidualSD       float64   `json:"residual_sd"`
	RSquared         float64   `json:"r_squared"`
	DegreesOfFreedom int       `json:"degrees_of_freedom"`
	LackOfFit        *lackJSON `json:"lack_of_fit"` // null without repeated readings
	Residuals        []float64 `json:"residuals"`
}

type lackJSON struct {
	F   float64 `json:"f"`
	DF1 int     `json:"df1"`
	DF2 int     `json:"df2"`
	P   float64 `json:"p"`
}

// e74JSON has the factor in the unit of the signal, then as forces by the mean of force
// over deflection, then by the inverse fit.
type e74JSON struct {
	Factor float64 `json:"lower_limit_factor"`
	limitsJSON
	Inverse limitsJSON `json:"inverse"`
}

type limitsJSON struct {
	Factor  float64 `json:"lower_limit_factor_newtons"`
	ClassA  float64 `json:"class_a_from_newtons"`
	ClassAA float64 `json:"class_aa_from_newtons"`
}

// scaleJSON is the [load.scale] section.
type scaleJSON struct {
	Unit         string    `json:"unit"`
	Coefficients []float64 `json:"coefficients"`
}

func newCalibrationJSON(c *calibrate.Calibration, unit peak.ForceUnit) calibrationJSON {
	out := calibrationJSON{
		Method: "least squares; lower limit factor and classes by ASTM E74", Degree: c.Degree, Readings: len(c.Readings),
		Levels: c.Levels, From: c.From, To: c.To, RawFrom: c.RawFrom, RawTo: c.RawTo,
		Response: newFitJSON(c.Response), Inverse: newFitJSON(c.Inverse),
		E74:   e74JSON{Factor: c.E74.Factor, limitsJSON: limitsJSON(c.E74.Response), Inverse: limitsJSON(c.E74.Inverse)},
		Scale: scaleJSON{Unit: unit.String(), Coefficients: scaleOf(c, unit)}, Notes: c.Notes(),
	}
	if out.Notes == nil {
		out.Notes = []string{}
	}
	return out
}

func newFitJSON(f *calibrate.Fit) fitJSON {
	out := fitJSON{
		Coefficients: f.Coefficients, Deviations: f.Deviations, ResidualSD: f.ResidualSD, RSquared: f.RSquared,
		DegreesOfFreedom: f.DegreesOfFreedom, Residuals: f.Residuals,
	}
	if l := f.LackOfFit; l != nil && !math.IsInf(l.F, 0) {
		out.LackOfFit = &lackJSON{F: l.F, DF1: l.DF1, DF2: l.DF2, P: l.P}
	}
	return out
}
