package page

import (
	"strconv"
	"time"

	"thimbled/peak"
)

const (
	// thinnedPoints are more than a screen of 1920 pixels can tell apart, for
	// each has two ends.
	thinnedPoints = 1200
	finestStep    = time.Millisecond
)

// thinned keeps a curve of any length in a bounded number of points, none of
// its extremes lost. Points must come in the order of time.
type thinned struct {
	step   time.Duration
	points []point
}

func newThinned() thinned { return thinned{step: finestStep} }

func (t *thinned) add(p point) {
	if t.fits(p) {
		t.points[len(t.points)-1].join(p)
		return
	}
	for len(t.points) >= thinnedPoints {
		t.coarsen()
	}
	if t.fits(p) {
		t.points[len(t.points)-1].join(p)
		return
	}
	t.points = append(t.points, p)
}

// fits says whether p falls into the last point's step.
func (t *thinned) fits(p point) bool {
	return len(t.points) > 0 && t.points[len(t.points)-1].at/t.step == p.at/t.step
}

// coarsen doubles the step.
func (t *thinned) coarsen() {
	t.step *= 2
	all := t.points
	t.points = all[:0]
	for _, p := range all {
		if t.fits(p) {
			t.points[len(t.points)-1].join(p)
		} else {
			t.points = append(t.points, p)
		}
	}
}

func appendPressure(b []byte, p peak.Maybe[peak.Pressure]) []byte {
	if !p.Known {
		return append(b, "null"...)
	}
	return strconv.AppendInt(b, int64(p.Value), 10)
}
