package calibrate_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"thimbled/peak/calibrate"
)

// certified is how near the certified values must be.
const certified = 1e-9

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.17g, want %.17g", what, got, want)
	}
}

func allNear(t *testing.T, what string, got, want []float64, relative float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s are %v, want %v", what, got, want)
	}
	for i := range got {
		near(t, what+" "+strconv.Itoa(i), got[i], want[i], relative)
	}
}

func readings(t testing.TB, name string) []calibrate.Reading {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out, err := calibrate.ReadCSV(f)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func calibrated(t *testing.T, name string, degree int) *calibrate.Calibration {
	t.Helper()
	c, err := calibrate.Calibrate(readings(t, name), degree)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// NIST StRD, Pontius: certified values.
func TestPontiusCertified(t *testing.T) {
	c := calibrated(t, "pontius.csv", 2)
	f := c.Response
	allNear(t, "B", f.Coefficients, []float64{0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14}, certified)
	allNear(t, "sd(B)", f.Deviations, []float64{0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16}, certified)
	near(t, "residual SD", f.ResidualSD, 0.205177424076185e-03, certified)
	near(t, "R^2", f.RSquared, 0.999999900178537, 1e-14) // all its printed digits
	if f.DegreesOfFreedom != 37 || len(f.Residuals) != 40 {
		t.Errorf("%d degrees of freedom, %d residuals", f.DegreesOfFreedom, len(f.Residuals))
	}
	near(t, "residual SS", sumOfSquares(f.Residuals), 0.155761768796992e-05, certified)
	// (X'X)^-1, printed to nine digits after the first
	for j, row := range [][]float64{
		{2.76754385964916e-01, -3.59649122807024e-07, 9.74658869395731e-14},
		{-3.59649122807024e-07, 5.91630591630603e-13, -1.77210703526497e-19},
		{9.74658869395731e-14, -1.77210703526497e-19, 5.62573661988878e-26},
	} {
		for k, want := range row {
			near(t, "covariance", f.Covariance[j][k]/(f.ResidualSD*f.ResidualSD), want, certified)
		}
	}
}

func sumOfSquares(x []float64) (sum float64) {
	for _, v := range x {
		sum += v * v
	}
	return sum
}

func largest(x []float64) (at int) {
	for i := range x {
		if math.Abs(x[i]) > math.Abs(x[at]) {
			at = i
		}
	}
	return at
}

// What was worked out from Pontius with exact rational arithmetic, to the digits given.
func TestPontiusDerived(t *testing.T) {
	line, quadratic, cubic := calibrated(t, "pontius.csv", 1), calibrated(t, "pontius.csv", 2), calibrated(t, "pontius.csv", 3)
	f := line.Response
	allNear(t, "B of the line", f.Coefficients, []float64{6.149684210526316e-3, 7.221025814536341e-7}, certified)
	allNear(t, "sd(B) of the line", f.Deviations, []float64{7.132051674656124e-4, 3.969147804044248e-10}, certified)
	near(t, "SD of the line", f.ResidualSD, 2.171272596056750e-3, certified)
	near(t, "R^2 of the line", f.RSquared, 0.999988519115219, 1e-14)
	near(t, "RSS of the line", sumOfSquares(f.Residuals), 1.791481380827068e-4, certified)
	if at := largest(f.Residuals); line.Readings[at].Applied != 150000 || line.Readings[at].Raw != 0.11019 {
		t.Errorf("the largest residual of the line is at %+v", line.Readings[at])
	} else {
		near(t, "largest residual of the line", math.Abs(f.Residuals[at]), 4.275071428571429e-3, certified)
	}
	at := largest(quadratic.Response.Residuals)
	near(t, "largest residual", math.Abs(quadratic.Response.Residuals[at]), 4.468402255639098e-4, certified)
	if r := quadratic.Readings[at]; r.Applied != 300000 || r.Raw != 0.21956 {
		t.Errorf("the largest residual is at %+v", r)
	}
	near(t, "SD of the cubic", cubic.Response.ResidualSD, 2.046495006074329e-4, certified)
	near(t, "R^2 of the cubic", cubic.Response.RSquared, 0.999999903375571, 1e-14)

	allNear(t, "inverse", quadratic.Inverse.Coefficients, []float64{-8.512098007106220e+2, 1.365678854943493e+6, 8.394392804252955e+3}, certified)
	near(t, "SD of the inverse", quadratic.Inverse.ResidualSD, 281.2968996979369, certified)
	near(t, "R^2 of the inverse", quadratic.Inverse.RSquared, 0.999999902164278, 1e-14)
	near(t, "f(1.0)", quadratic.Inverse.At(1), 1373222.037947035, 1e-12)
	near(t, "f(1.239722)", quadratic.Inverse.At(1.239722), 1705112.343201943, 1e-12)
	allNear(t, "inverse line", line.Inverse.Coefficients, []float64{-8.498177989213260e+3, 1.384828893842457e+6}, certified)
	near(t, "SD of the inverse line", line.Inverse.ResidualSD, 3006.858288174032, certified)
	near(t, "SD of the inverse cubic", cubic.Inverse.ResidualSD, 283.4128588522352, certified)
	near(t, "f(1.239722), cubic", cubic.Inverse.At(1.239722), 1705123.208294079, 1e-12)
}

// The ratio and the limits of Pontius: 2.4 s, 400 and 2000 times it as forces, to the
// digits given.
func TestPontiusE74(t *testing.T) {
	e := calibrated(t, "pontius.csv", 2).E74
	near(t, "lower limit factor", e.Factor, 4.924258177828431e-4, certified)
	near(t, "as a force", e.Response.Factor, 676.548996713671, certified)
	near(t, "class A", e.Response.ClassA, 270619.5987, certified)
	near(t, "class AA", e.Response.ClassAA, 1353097.9934, certified)
	near(t, "of the inverse", e.Inverse.Factor, 675.1125592750486, certified)
	near(t, "class A of the inverse", e.Inverse.ClassA, 270045.0237, certified)
	near(t, "class AA of the inverse", e.Inverse.ClassAA, 1350225.1186, certified)
}

// Lack of fit of Pontius: worked out with exact rational arithmetic, and as the
// NIST/SEMATECH e-Handbook prints it in 4.6.1 (from memory).
func TestPontiusLackOfFit(t *testing.T) {
	for degree, want := range map[int]struct {
		f, printed float64
		df1        int
		unlikely   bool
	}{1: {214.7469236539, 214.7470, 18, true}, 2: {0.8107239003, 0.8107, 17, false}} {
		l := calibrated(t, "pontius.csv", degree).Response.LackOfFit
		if l == nil || l.DF1 != want.df1 || l.DF2 != 20 {
			t.Fatalf("degree %d: %+v", degree, l)
		}
		near(t, "F", l.F, want.f, 1e-9)
		near(t, "F", l.F, want.printed, 1e-4)
		// gonum's distribution has 1 - CDF, which is right to its last digits only
		p := distuv.F{D1: float64(l.DF1), D2: float64(l.DF2)}.Survival(l.F)
		if math.Abs(l.P-p) > 1e-12 || l.P <= 0 {
			t.Errorf("degree %d: p = %v, want %v", degree, l.P, p)
		}
		if (l.P < 0.05) != want.unlikely {
			t.Errorf("degree %d: p = %v", degree, l.P)
		}
	}
	if l := calibrated(t, "pontius.csv", 2).Inverse.LackOfFit; l != nil && l.DF2 != 1 {
		t.Errorf("the signal repeats itself: %+v", l)
	}
}

// NIST StRD, Norris: certified values.
func TestNorrisCertified(t *testing.T) {
	f := calibrated(t, "norris.csv", 1).Response
	allNear(t, "B", f.Coefficients, []float64{-0.262323073774029, 1.00211681802045}, certified)
	allNear(t, "sd(B)", f.Deviations, []float64{0.232818234301152, 0.429796848199937e-03}, certified)
	near(t, "residual SD", f.ResidualSD, 0.884796396144373, certified)
	near(t, "R^2", f.RSquared, 0.999993745883712, 1e-14)
	near(t, "residual SS", sumOfSquares(f.Residuals), 26.6173985294224, certified)
	if f.DegreesOfFreedom != 34 {
		t.Errorf("%d degrees of freedom", f.DegreesOfFreedom)
	}
}

// JCGM 100:2008, H.3: the straight line of a thermometer's correction, b = y1 + y2 (t - 20).
func TestGUMExampleH3(t *testing.T) {
	data, err := os.ReadFile("testdata/gum_h3.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(data))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var x, y []float64
	for _, row := range rows[1:] {
		degrees, err1 := strconv.ParseFloat(row[0], 64)
		b, err2 := strconv.ParseFloat(row[1], 64)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		x, y = append(x, degrees-20), append(y, b)
	}
	f, err := calibrate.FitPolynomial(x, y, 1)
	if err != nil {
		t.Fatal(err)
	}
	const exact = 1e-10 // recomputed exactly from the same readings
	allNear(t, "y", f.Coefficients, []float64{-0.17120379013135, 0.002182697739887278}, exact)
	allNear(t, "s(y)", f.Deviations, []float64{0.0028775978351599537, 0.0006679387732278317}, exact)
	near(t, "s", f.ResidualSD, 0.003497563963505284, exact)
	correlation := f.Covariance[0][1] / (f.Deviations[0] * f.Deviations[1])
	near(t, "r", correlation, -0.9304296030934461, exact)
	near(t, "b(30)", f.At(10), -0.14937681273247722, exact)
	near(t, "u(b(30))", f.Uncertainty(10), 0.004138595752854944, exact)
	for i, printed := range []string{"-0.1712", "0.00218", "0.0029", "0.00067", "0.0035", "-0.930", "-0.1494", "0.0041"} { // from memory
		got := []float64{
			f.Coefficients[0], f.Coefficients[1], f.Deviations[0], f.Deviations[1], f.ResidualSD, correlation, f.At(10), f.Uncertainty(10),
		}[i]
		_, decimals, _ := strings.Cut(printed, ".")
		if rounded := strconv.FormatFloat(got, 'f', len(decimals), 64); rounded != printed {
			t.Errorf("figure %d is %s, printed %s", i, rounded, printed)
		}
	}
}

// The curve that readings were made of is found again, wherever the signal's zero lies and
// whichever way it runs.
func TestMadeOfACurve(t *testing.T) {
	for name, c := range map[string]struct {
		inverse []float64
		from    float64
		step    float64
	}{
		"mV/V":            {[]float64{-120, 125_000, 40}, 0.02, 0.05},
		"falling":         {[]float64{50, -125_000, -40, 3}, 0.02, 0.05},
		"counts, offset":  {[]float64{-1_048_576, 0.125, 1e-10}, 8_388_608, 50_000},
		"negative counts": {[]float64{2_000, 0.5}, -30_000, 500},
	} {
		var in []calibrate.Reading
		for i := range 40 {
			x, force := c.from+float64(i)*c.step, 0.0
			for k := len(c.inverse) - 1; k >= 0; k-- {
				force = force*x + c.inverse[k]
			}
			in = append(in, calibrate.Reading{Raw: x, Applied: force})
		}
		got, err := calibrate.Calibrate(in, len(c.inverse)-1)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, r := range in {
			if off := math.Abs(got.Inverse.At(r.Raw) - r.Applied); off > 1e-3 {
				t.Errorf("%s: %v comes to %v", name, r, got.Inverse.At(r.Raw))
			}
		}
	}
}

// A constant added to the signal changes neither the fit's quality nor the limits.
func TestOffsetChangesNoLimit(t *testing.T) {
	plain := calibrated(t, "pontius.csv", 2)
	moved := readings(t, "pontius.csv")
	for i := range moved {
		moved[i].Raw += 4
	}
	got, err := calibrate.Calibrate(moved, 2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "factor", got.E74.Factor, plain.E74.Factor, 1e-9)
	// deflections count from the curve's zero now, 0.67 thousandths beside
	near(t, "factor as a force", got.E74.Response.Factor, plain.E74.Response.Factor, 2e-3)
	near(t, "factor of the inverse", got.E74.Inverse.Factor, plain.E74.Inverse.Factor, 1e-9)
}

func TestBadDataIsRefused(t *testing.T) {
	type r = calibrate.Reading
	line := []r{{0, 0}, {1, 10}, {2, 20}, {3, 30.1}, {4, 40}, {5, 50}}
	for name, c := range map[string]struct {
		in     []r
		degree int
		want   error
	}{
		"nothing":           {nil, 1, calibrate.ErrTooFew},
		"degree 0":          {line, 0, calibrate.ErrDegree},
		"degree 4":          {line, 4, calibrate.ErrDegree},
		"as many as it has": {line[:3], 2, calibrate.ErrTooFew},
		"same force":        {[]r{{1, 10}, {2, 10}, {3, 10}}, 1, calibrate.ErrSame},
		"same signal":       {[]r{{1, 10}, {1, 20}, {1, 30}}, 1, calibrate.ErrSame},
		"two forces":        {[]r{{1, 10}, {1.1, 10}, {2, 20}, {2.1, 20}}, 2, calibrate.ErrRankDeficient},
		"nearly two forces": {[]r{{1, 10}, {1.1, 10}, {2, 20}, {2.1, 20 + 1e-13}}, 2, calibrate.ErrRankDeficient},
		"turning":           {[]r{{0, 0}, {1, 10}, {1.8, 20}, {2.1, 30}, {2, 40}, {1.7, 50}}, 2, calibrate.ErrTurns},
		"scattered":         {[]r{{3, 10}, {1, 20}, {2, 30}, {1.1, 40}, {3, 50}}, 1, calibrate.ErrScatter},
		"far from zero":     {[]r{{1e12, 0}, {1e12 + 1, 10}, {1e12 + 2, 20}, {1e12 + 3, 30}, {1e12 + 4, 41}, {1e12 + 5, 50}}, 3, calibrate.ErrOffset},
	} {
		if got, err := calibrate.Calibrate(c.in, c.degree); !errors.Is(err, c.want) || got != nil {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	if _, err := calibrate.Calibrate(line, 1); err != nil {
		t.Errorf("a good line: %v", err)
	}
}

func TestNotesSayWhatIsMissing(t *testing.T) {
	if notes := calibrated(t, "pontius.csv", 2).Notes(); len(notes) != 0 {
		t.Errorf("notes on a full calibration: %q", notes)
	}
	for _, c := range []struct {
		name, want string
		degree     int
	}{
		{"pontius.csv", "lack of fit, p = ", 1},
		{"pontius.csv", "class AA begins above", 1},
	} {
		if notes := strings.Join(calibrated(t, c.name, c.degree).Notes(), "\n"); !strings.Contains(notes, c.want) {
			t.Errorf("%s, degree %d: no %q in %q", c.name, c.degree, c.want, notes)
		}
	}
	few, err := calibrate.Calibrate(readings(t, "pontius.csv")[:12], 2)
	if err != nil {
		t.Fatal(err)
	}
	if notes := strings.Join(few.Notes(), "\n"); !strings.Contains(notes, "these are 12 at 12") {
		t.Errorf("notes on few readings: %q", notes)
	}
}
