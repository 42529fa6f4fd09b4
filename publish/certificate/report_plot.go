package certificate

import (
	"fmt"
	"slices"

	"thimbled/peak"
	"thimbled/peak/verify"
)

// errorPlot shows the percent error of each run against the applied force.
type errorPlot struct {
	runs     [][]errorDot // in the order of the runs' numbers
	numbers  []int
	to       peak.Force // the end of the axis
	bound    int64      // the end of the other one, up and down, in parts per million
	verified bool
	from, up peak.Force // the verified range
	unit     peak.ForceUnit
}

// errorDot is a comparison.
type errorDot struct {
	force peak.Force
	ppm   int64
}

const (
	allowedPPM = int64(peak.Percent) // what ASTM E4 allows, up and down
	mostPPM    = int64(1e12)
)

// newErrorPlot returns the plot of a report, or nil when there is nothing to show.
func newErrorPlot(r *Report) *errorPlot {
	p := &errorPlot{bound: allowedPPM, unit: r.figures.units.Force, verified: r.judged.Verified, from: force(r.judged.From), up: force(r.judged.To)}
	for _, x := range r.judged.Rows {
		if x.Applied > 0 {
			p.add(x)
		}
	}
	if len(p.runs) == 0 {
		return nil
	}
	p.to += p.to / 20
	p.bound += p.bound / 5
	return p
}

func (p *errorPlot) add(x verify.Row) {
	i, there := slices.BinarySearch(p.numbers, x.Run)
	if !there {
		p.numbers, p.runs = slices.Insert(p.numbers, i, x.Run), slices.Insert(p.runs, i, nil)
	}
	d := errorDot{force(x.Applied), int64(max(-float64(mostPPM), min(x.Percent*float64(peak.Percent), float64(mostPPM))))}
	p.runs[i] = append(p.runs[i], d)
	p.to, p.bound = max(p.to, d.force), max(p.bound, d.ppm, -d.ppm)
}

func (p *errorPlot) x(f peak.Force) mm {
	return plotLeft + share(int64(min(max(f, 0), p.to)), 0, int64(p.to), plotRight-plotLeft)
}

func (p *errorPlot) y(ppm int64) mm {
	return plotBottom - share(min(max(ppm, -p.bound), p.bound), -p.bound, p.bound, plotBottom-plotTop)
}

// figure lays the plot out.
func (p *errorPlot) figure() *figure {
	f := &figure{wide: figureWide, high: figureHigh}
	if p.verified {
		from, to := p.x(p.from), p.x(p.up)
		f.areas = append(f.areas, area{inkHold, dot{from, plotTop}, max(to-from, 1), plotBottom - plotTop})
		f.labels = append(f.labels, label{dot{(from + to) / 2, plotTop - 120}, middle, "verified range"})
	}
	p.errorAxis(f)
	p.forceAxis(f)
	for _, ppm := range []int64{allowedPPM, -allowedPPM} {
		f.lines = append(f.lines, line{inkLimit, []dot{{plotLeft, p.y(ppm)}, {plotRight, p.y(ppm)}}})
	}
	f.lines = append(f.lines, line{inkLimit, []dot{{labelLeft, plotBottom - labelHalf}, {labelLeft + 800, plotBottom - labelHalf}}})
	f.labels = append(f.labels, label{dot{labelLeft + 950, plotBottom}, start, "±1\u00a0%"})
	for i := range p.runs {
		p.series(f, i)
	}
	return f
}

// errorSteps are the round errors between two marks, in parts per million.
var errorSteps = []int64{1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000, 200_000, 500_000}

func (p *errorPlot) errorAxis(f *figure) {
	step := errorSteps[len(errorSteps)-1]
	if i := slices.IndexFunc(errorSteps, func(n int64) bool { return n >= p.bound/4 }); i >= 0 {
		step = errorSteps[i]
	}
	for step < p.bound/4 {
		step *= 2
	}
	for n := -p.bound / step; n*step <= p.bound; n++ {
		y, ink := p.y(n*step), inkGrid
		if n == 0 {
			ink = inkAxis
		}
		f.lines = append(f.lines, line{ink, []dot{{plotLeft, y}, {plotRight, y}}})
		f.labels = append(f.labels, label{dot{plotLeft - 150, y + labelHalf}, end, string(peak.Ratio(n * step).AppendPercent(nil))})
	}
	f.labels = append(f.labels, label{dot{plotLeft - 150, plotTop - 180}, end, "error, %"})
	f.lines = append(f.lines, line{inkAxis, []dot{{plotLeft, plotTop}, {plotLeft, plotBottom}}})
}

func (p *errorPlot) forceAxis(f *figure) {
	step, decimals := roundForce(p.to/10, p.unit)
	for n := peak.Force(0); n*step <= p.to; n++ {
		x := p.x(n * step)
		f.lines = append(f.lines, line{inkAxis, []dot{{x, plotBottom}, {x, plotBottom + tickLen}}})
		f.labels = append(f.labels, label{dot{x, plotBottom + labelBelow}, middle, p.unit.Number(n*step, decimals)})
	}
	f.labels = append(f.labels, label{dot{(plotLeft + plotRight) / 2, plotBottom + 2*labelBelow}, middle, "applied force, " + p.unit.String()})
	f.lines = append(f.lines, line{inkAxis, []dot{{plotLeft, plotBottom}, {plotRight, plotBottom}}})
}

// mostNamed is how many runs have room beside the plot.
const mostNamed = 8

// series draws one run: a line, its marks, and its name beside the plot.
func (p *errorPlot) series(f *figure, i int) {
	var dots []dot
	for _, d := range p.runs[i] {
		dots = append(dots, dot{p.x(d.force), p.y(d.ppm)})
	}
	f.lines = append(f.lines, line{inkRun, dots})
	for _, d := range dots {
		f.lines = append(f.lines, mark(i, d))
	}
	y := plotTop + mm(i)*labelApart
	switch {
	case i < mostNamed:
		f.lines = append(f.lines, mark(i, dot{labelLeft + 100, y}))
		f.labels = append(f.labels, label{dot{labelLeft + 350, y + labelHalf}, start, fmt.Sprintf("run %d", p.numbers[i])})
	case i == mostNamed:
		f.labels = append(f.labels, label{dot{labelLeft, y + labelHalf}, start, fmt.Sprintf("and %d more", len(p.runs)-mostNamed)})
	}
}

// marks are the outlines that tell runs apart without colour: square, triangle, diamond,
// triangle on its head, cross, bar.
var marks = [][]dot{
	{{-70, -70}, {70, -70}, {70, 70}, {-70, 70}, {-70, -70}},
	{{0, -95}, {85, 65}, {-85, 65}, {0, -95}},
	{{0, -105}, {105, 0}, {0, 105}, {-105, 0}, {0, -105}},
	{{0, 95}, {85, -65}, {-85, -65}, {0, 95}},
	{{-75, -75}, {75, 75}, {0, 0}, {75, -75}, {-75, 75}},
	{{-95, 0}, {95, 0}, {95, 45}, {-95, 45}, {-95, 0}},
}

func mark(run int, at dot) line {
	l := line{ink: inkMark}
	for _, d := range marks[run%len(marks)] {
		l.dots = append(l.dots, dot{at.x + d.x, at.y + d.y})
	}
	return l
}
