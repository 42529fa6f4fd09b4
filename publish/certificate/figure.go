package certificate

import (
	"cmp"
	"fmt"
	"math/bits"
	"slices"
	"time"

	"thimbled/peak"
)

// mm is a hundredth of a millimetre on paper. Figures are laid out in whole
// numbers, so that they are the same on every machine.
type mm int64

// dot is a place in a figure, from its upper left corner.
type dot struct{ x, y mm }

// ink says what a shape stands for; each kind of paper draws it in its way.
type ink string

// The inks.
const (
	inkCurve    ink = "curve"
	inkAxis     ink = "axis"
	inkGrid     ink = "grid"
	inkRequired ink = "required"
	inkLimit    ink = "limit"
	inkLead     ink = "lead" // thin lines from labels
	inkHold     ink = "hold" // the area of the hold
	inkGap      ink = "gap"  // the area where nothing was seen
	inkPeak     ink = "peak"
	inkRun      ink = "run"  // the line through a run's errors
	inkMark     ink = "mark" // around each error
)

// line is an open line through its dots.
type line struct {
	ink  ink
	dots []dot
}

// area is a rectangle.
type area struct {
	ink        ink
	at         dot
	wide, high mm
}

// side is which end of a label stands at its place.
type side string

// The sides.
const (
	start  side = "start"
	middle side = "middle"
	end    side = "end"
)

// label is a short text on its base line.
type label struct {
	at   dot
	side side
	text string
}

// figure is a curve with its axes and levels, ready to be drawn.
type figure struct {
	wide, high mm
	areas      []area
	lines      []line
	ring       []dot // around the peak; none or one
	labels     []label
}

// The measures of a figure.
const (
	figureWide, figureHigh         mm = 17000, 5200
	plotLeft, plotRight            mm = 1500, 13700
	plotTop, plotBottom            mm = 500, 4200
	labelLeft                      mm = 14100
	labelApart, ringRadius         mm = 380, 80
	labelHalf, labelBelow, tickLen mm = 90, 420, 100
)

// plot maps time and force to places.
type plot struct {
	from, to  time.Duration
	low, high peak.Force
}

func (p plot) x(at time.Duration) mm {
	at = min(max(at, p.from), p.to)
	return plotLeft + share(int64(at), int64(p.from), int64(p.to), plotRight-plotLeft)
}

func (p plot) y(f peak.Force) mm {
	f = min(max(f, p.low), p.high)
	return plotBottom - share(int64(f), int64(p.low), int64(p.high), plotBottom-plotTop)
}

// share is the part of a length that n is above from, where all of it is to;
// n lies between the two, which differ.
func share(n, from, to int64, of mm) mm {
	whole := uint64(to) - uint64(from)
	high, low := bits.Mul64(uint64(n)-uint64(from), uint64(of))
	low, carry := bits.Add64(low, whole/2, 0)
	part, _ := bits.Div64(high+carry, low, whole)
	return mm(part)
}

// figure lays the curve out.
func (c *curve) figure(show figures) *figure {
	p := c.plot()
	f := &figure{wide: figureWide, high: figureHigh}
	c.shade(f, p, show)
	f.forceAxis(p, show.units.Force)
	f.timeAxis(p, c.placed)
	c.levels(f, p, show)
	for _, s := range c.stretches {
		dots := make([]dot, 0, len(s))
		for _, x := range s {
			d := dot{p.x(x.at), p.y(x.force)}
			if len(dots) == 0 || dots[len(dots)-1] != d {
				dots = append(dots, d)
			}
		}
		f.lines = append(f.lines, line{inkCurve, dots})
	}
	return f
}

// plot leaves room above everything that is drawn.
func (c *curve) plot() plot {
	p := plot{from: c.from, to: max(c.to, c.from+time.Second)}
	for _, s := range c.stretches {
		for _, x := range s {
			p.low, p.high = min(p.low, x.force), max(p.high, x.force)
		}
	}
	for _, level := range levelsOf(c.pull) {
		p.high = max(p.high, level)
	}
	const most = peak.Force(1e15) * peak.Newton // no bench pulls so much; sums stay whole
	p.high = min(max(p.high, c.pull.Peak.Value, peak.Newton), most)
	p.high += p.high / 8
	if p.low > -p.high/50 { // the noise of an empty bench needs no room
		p.low = 0
	} else {
		p.low = max(p.low, -most)
		p.low += p.low / 8
	}
	return p
}

// shade marks the hold and the gaps.
func (c *curve) shade(f *figure, p plot, show figures) {
	h := c.pull.Hold
	if c.placed && h.From.Known && h.To.Known && h.For > 0 {
		from, to := p.x(h.From.Value-c.pull.StartedAt), p.x(h.To.Value-c.pull.StartedAt)
		f.areas = append(f.areas, area{inkHold, dot{from, plotTop}, to - from, plotBottom - plotTop})
		const half = 1100 // about half of the label's width
		centre := min(max((from+to)/2, plotLeft+half), plotRight-half)
		f.labels = append(f.labels, label{dot{centre, plotBottom - 150}, middle, "held " + lasted(h.For)})
	}
	for i := 1; i < len(c.stretches); i++ {
		before := c.stretches[i-1]
		from, to := p.x(before[len(before)-1].at), p.x(c.stretches[i][0].at)
		f.areas = append(f.areas, area{inkGap, dot{from, plotTop}, max(to-from, 20), plotBottom - plotTop})
	}
}

// forceAxis draws a grid line and a number at each round force.
func (f *figure) forceAxis(p plot, u peak.ForceUnit) {
	step, decimals := roundForce((p.high-p.low)/8, u)
	for n := p.low / step; n*step <= p.high; n++ {
		if n*step < p.low {
			continue
		}
		y := p.y(n * step)
		f.lines = append(f.lines, line{inkGrid, []dot{{plotLeft, y}, {plotRight, y}}})
		f.labels = append(f.labels, label{dot{plotLeft - 150, y + labelHalf}, end, u.Number(n*step, decimals)})
	}
	f.labels = append(f.labels, label{dot{plotLeft - 150, plotTop - 180}, end, u.String()})
	f.lines = append(f.lines, line{inkAxis, []dot{{plotLeft, plotTop}, {plotLeft, plotBottom}}})
}

// roundForce returns the smallest round force, 1, 2 or 5 times a power of ten
// units, that is at least so much.
func roundForce(least peak.Force, u peak.ForceUnit) (step peak.Force, decimals int) {
	for power := -9; power < 12; power++ {
		for _, m := range []int{1, 2, 5} {
			f, err := peak.ParseForce(fmt.Sprintf("%de%d %v", m, power, u))
			if err == nil && f > 0 && f >= least {
				return f, max(0, -power)
			}
		}
	}
	return max(1, least), 0
}

// timeSteps are the round times between two marks.
var timeSteps = []time.Duration{
	100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond, time.Second, 2 * time.Second, 5 * time.Second,
	10 * time.Second, 20 * time.Second, 30 * time.Second, 60 * time.Second, 120 * time.Second, 300 * time.Second, 600 * time.Second,
	1200 * time.Second, 1800 * time.Second, 3600 * time.Second, 7200 * time.Second, 4 * 3600 * time.Second,
}

func (f *figure) timeAxis(p plot, placed bool) {
	step := timeSteps[len(timeSteps)-1]
	if i := slices.IndexFunc(timeSteps, func(d time.Duration) bool { return d >= (p.to-p.from)/10 }); i >= 0 {
		step = timeSteps[i]
	}
	for step < (p.to-p.from)/10 {
		step *= 2
	}
	for n := p.from / step; n*step <= p.to; n++ {
		if n*step < p.from {
			continue
		}
		x := p.x(n * step)
		f.lines = append(f.lines, line{inkAxis, []dot{{x, plotBottom}, {x, plotBottom + tickLen}}})
		f.labels = append(f.labels, label{dot{x, plotBottom + labelBelow}, middle, signedSeconds(n * step)})
	}
	name := "seconds since the pull began"
	if !placed {
		name = "seconds since the trace began; the record does not say where in it the pull lies"
	}
	f.labels = append(f.labels, label{dot{(plotLeft + plotRight) / 2, plotBottom + 2*labelBelow}, middle, name})
	f.lines = append(f.lines, line{inkAxis, []dot{{plotLeft, plotBottom}, {plotRight, plotBottom}}})
}

func signedSeconds(d time.Duration) string { return string(peak.AppendSeconds(nil, d)) }

// level is a force that is marked at the right of the plot.
type level struct {
	force peak.Force
	name  string
	ink   ink
}

// levels draws the required force and the limit across the plot, rings the peak,
// and names them at the right, far enough apart to be read.
func (c *curve) levels(f *figure, p plot, show figures) {
	var all []level
	if r := c.pull.Requirement; r.Known {
		all = append(all, level{r.Value.Required(), "required", inkRequired})
		if h := r.Value.Highest(); h.Known {
			all = append(all, level{h.Value, "limit", inkLimit})
		}
	}
	for _, l := range all {
		y := p.y(l.force)
		f.lines = append(f.lines, line{l.ink, []dot{{plotLeft, y}, {plotRight, y}}})
	}
	if c.pull.Peak.Known {
		all = append(all, level{c.pull.Peak.Value, "peak", inkPeak})
		if c.placed {
			f.ring = []dot{{p.x(c.pull.PeakAt - c.pull.StartedAt), p.y(c.pull.Peak.Value)}}
		}
	}
	slices.SortFunc(all, func(a, b level) int { return cmp.Compare(b.force, a.force) })
	var places []mm
	for _, l := range all {
		places = append(places, p.y(l.force))
	}
	for i, y := range spread(places, labelApart) {
		l := all[i]
		at := p.y(l.force)
		f.lines = append(f.lines, line{inkLead, []dot{{plotRight, at}, {plotRight + 130, at}, {labelLeft - 130, y}, {labelLeft - 50, y}}})
		f.labels = append(f.labels, label{dot{labelLeft, y + labelHalf}, start, l.name + " " + show.plainForce(l.force, levelsOf(c.pull)...)})
	}
}

// spread moves places, which rise, so far apart that no two are nearer than that,
// and keeps their middle.
func spread(places []mm, apart mm) []mm {
	out := slices.Clone(places)
	for range len(out) * len(out) {
		for i := 1; i < len(out); i++ {
			if near := apart - (out[i] - out[i-1]); near > 0 {
				out[i-1] -= near / 2
				out[i] += near - near/2
			}
		}
	}
	return out
}
