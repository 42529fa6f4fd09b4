package page

import (
	"net/http"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

const (
	// recentFor is how much of the running curve a new page is shown.
	recentFor   = 120 * time.Second
	recentStep  = 100 * time.Millisecond
	recentSlots = int64(recentFor / recentStep)
)

// point is a piece of a curve: the extremes of the net force in it, so that a
// thinned curve hides no peak. A point without a force breaks the curve.
type point struct {
	at       time.Duration
	min, max peak.Maybe[peak.Force]
	pressure peak.Maybe[peak.Pressure]
}

// join takes the later point's content into p.
func (p *point) join(later point) {
	if later.pressure.Known {
		p.pressure = later.pressure
	}
	if !p.min.Known {
		p.min, p.max = later.min, later.max
		return
	}
	if later.min.Known {
		p.min.Value = min(p.min.Value, later.min.Value)
		p.max.Value = max(p.max.Value, later.max.Value)
	}
}

// recent is the curve of the last two minutes. Its size does not depend on how
// often the instruments are read.
type recent struct {
	points [recentSlots]point
	taken  [recentSlots]bool
}

// add takes a step of the loop. A step without a good reading leaves a mark
// that breaks the curve, unless a good one falls into the same tenth of a second.
func (r *recent) add(s *publish.Snapshot, span publish.Span, now time.Duration) {
	p := point{at: now, pressure: s.State.Pressure}
	if s.State.Net.Known {
		p.at, p.min, p.max = s.State.TakenAt, s.State.Net, s.State.Net
		p.join(point{min: span.Min, max: span.Max})
	}
	p.at = max(0, p.at).Truncate(recentStep)
	i := int64(p.at/recentStep) % recentSlots
	switch old := r.points[i]; {
	case !r.taken[i] || old.at < p.at:
		r.points[i], r.taken[i] = p, true
	case old.at == p.at:
		r.points[i].join(p)
	}
}

// since returns the points of the last two minutes, oldest first.
func (r *recent) since(now time.Duration) []point {
	out := make([]point, 0, recentSlots)
	newest := int64(now / recentStep)
	for n := max(0, newest-recentSlots+1); n <= newest; n++ {
		i := n % recentSlots
		if r.taken[i] && r.points[i].at == time.Duration(n)*recentStep {
			out = append(out, r.points[i])
		}
	}
	return out
}

// serveRecent answers with the running curve: the elapsed time now and points
// of [elapsed seconds, least N, greatest N, Pa].
func (p *Page) serveRecent(w http.ResponseWriter, r *http.Request) {
	now := p.options.Now()
	p.mu.Lock()
	points := p.recent.since(now)
	p.mu.Unlock()
	body := append([]byte(`{"now_seconds":`), peak.AppendSeconds(nil, now)...)
	body = appendPoints(append(body, `,"points":`...), points)
	sendJSON(w, r, append(body, '}'))
}

func appendPoints(b []byte, points []point) []byte {
	b = append(b, '[')
	for i, p := range points {
		if i > 0 {
			b = append(b, ',')
		}
		b = peak.AppendSeconds(append(b, '['), p.at)
		b = appendForce(append(b, ','), p.min)
		b = appendForce(append(b, ','), p.max)
		b = append(appendPressure(append(b, ','), p.pressure), ']')
	}
	return append(b, ']')
}

func appendForce(b []byte, f peak.Maybe[peak.Force]) []byte {
	if !f.Known {
		return append(b, "null"...)
	}
	return f.Value.AppendNewtons(b)
}
