package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
)

// rescaling makes forces of raw values with another scale than they were recorded with.
type rescaling struct {
	name string // of the scale, as verifications name it
	of   func(raw float64) (peak.Force, peak.Quality)
}

// Why a pull cannot be judged with another scale.
var (
	errNoRaw      = errors.New("its trace has no raw values, so no other scale can be applied")
	errZeroBeyond = errors.New("its zero is not plausible with this scale")
	errSameScale  = errors.New("it was made with this scale already")
	errNoScale    = errors.New("the config has no scale: the indicator gives forces itself")
)

// rescalingOf is the scale of a config.
func rescalingOf(c *config.Config) (*rescaling, error) {
	name := c.Load.Scaling()
	if name == "" {
		return nil, errNoScale
	}
	return &rescaling{name: name, of: forceMaker(c)}, nil
}

// rescalingOnRecord is the scale of the recorded parameters.
func rescalingOnRecord(p *past, c *config.Config) (*rescaling, error) {
	if c != nil && c.Digest == p.digest {
		return rescalingOf(c)
	}
	recorded, err := config.Parse("recorded parameters", []byte(scaleText(p.parameters.known)))
	if err != nil {
		return nil, fmt.Errorf("rebuild the scale from recorded parameters: %w", err)
	}
	return rescalingOf(recorded)
}

// apply makes the force of a good reading anew.
func (s *rescaling) apply(x *peak.Reading, raw float64) {
	if x.Quality != peak.Good {
		return
	}
	if math.IsNaN(raw) {
		x.Quality = peak.Garbled
		return
	}
	x.Force, x.Quality = s.of(raw)
}

// rescaled is the evidence with another scale. Zero and tare were taken from what was
// indicated, so they are what the right scale makes of the same raw values.
func (v *evidence) rescaled(to *rescaling) (*evidence, error) {
	if to.name == v.settings.Scale {
		return nil, errSameScale
	}
	zero := v.started.Zero
	rigged := zero + v.started.Tare
	marks := []mark{{force: zero}, {force: rigged}, {force: rigged + v.started.ZeroBefore.Value}}
	if err := v.find(marks); err != nil {
		return nil, err
	}
	var forces [3]peak.Force
	for i := range marks {
		f, q := to.of(marks[i].raw())
		if q != peak.Good {
			return nil, fmt.Errorf("%w: %v", errZeroBeyond, q)
		}
		forces[i] = f
	}
	out, by := *v, *v.judgedBy
	by.settings.Scale = to.name
	out.judgedBy, out.scale = &by, to
	out.started.Zero, out.started.Tare = forces[0], forces[1]-forces[0]
	if out.started.ZeroBefore.Known {
		out.started.ZeroBefore.Value = forces[2] - forces[1]
	}
	return &out, nil
}

// mark is a force whose raw value is looked for between those of a trace.
type mark struct {
	force       peak.Force
	below       sighting // the nearest at or below it
	above       sighting // the nearest above it
	least, most sighting
}

// sighting is a force of a trace with its raw value.
type sighting struct {
	force peak.Force
	raw   float64
	seen  bool
}

// find looks for the raw values of forces in the trace.
func (v *evidence) find(marks []mark) error {
	seen := false
	err := v.readRaw(func(x *peak.Reading, raw float64) {
		if x.Quality != peak.Good || math.IsNaN(raw) {
			return
		}
		seen = true
		for i := range marks {
			marks[i].see(sighting{x.Force, raw, true})
		}
	})
	if err == nil && !seen {
		err = errNoRaw
	}
	return err
}

func (m *mark) see(s sighting) {
	switch {
	case s.force <= m.force && (!m.below.seen || s.force > m.below.force):
		m.below = s
	case s.force > m.force && (!m.above.seen || s.force < m.above.force):
		m.above = s
	}
	if !m.least.seen || s.force < m.least.force {
		m.least = s
	}
	if !m.most.seen || s.force > m.most.force {
		m.most = s
	}
}

// raw is the raw value of the force, on the straight line through its neighbours.
func (m *mark) raw() float64 {
	a, b := m.below, m.above
	if !a.seen {
		a = m.most
	}
	if !b.seen {
		b = m.least
	}
	if a.force == b.force {
		return a.raw
	}
	part := float64(m.force-a.force) / float64(b.force-a.force)
	return a.raw + float64(part*float64(b.raw-a.raw))
}

// scaleText writes the recorded parameters that make a force of a raw value as a config.
func scaleText(known map[string]string) string {
	var b strings.Builder
	section := func(header, prefix string, keys ...string) {
		fmt.Fprintln(&b, header)
		for _, k := range keys {
			if v, ok := known[prefix+"."+k]; ok {
				fmt.Fprintf(&b, "%s = %s\n", k, v)
			}
		}
	}
	section("[bench]", "bench", "id", "capacity", "division", "show")
	section("[[line]]\nname = \"recorded\"\nkind = \"tcp\"\naddress = \"127.0.0.1:502\"", "")
	section("[load]\nline = \"recorded\"", "load", "unit", "lowest", "highest", "scale", "offset")
	if _, curve := known["load.scale.coefficients"]; curve {
		section("[load.scale]", "load.scale", "coefficients")
	}
	return b.String()
}

// wouldBe notes what a pull would come to with the asked scale.
func (r *recomputing) wouldBe(e *entry, x peak.PullEnded, m *madePull) {
	v, err := m.rescaled(r.rescale)
	var j rejudged
	if err == nil {
		j, err = v.judge()
	}
	if err != nil {
		r.unable("not rescaled: " + err.Error())
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.found.rescaled = append(r.found.rescaled, rescaledPull{record: e.Number, old: x, again: j.ended})
}

// rescaledPull is what a pull came to, and comes to with another scale.
type rescaledPull struct {
	record     uint64
	old, again peak.PullEnded
}

// corrected checks a correction: what the pull came to before, and what it comes to with
// the scale that was on record then.
func (r *recomputing) corrected(e *entry, x peak.PullCorrected, traces publish.Traces) {
	r.ownTraces(e, traces)
	m := r.pulls[x.New.Pull]
	if m == nil || m.why != "" {
		r.unable("what was corrected is not on record")
		return
	}
	scale, err := rescalingOnRecord(&r.past, r.config)
	if err != nil {
		r.unable("the scale of a correction is not known: " + err.Error())
		return
	}
	before, result := m.stands, &outcome{done: make(chan struct{})}
	m.stands = result
	v := m.evidence
	r.work <- func() { r.checkCorrected(e, x, &v, scale, before, result, traces) }
}

func (r *recomputing) checkCorrected(
	e *entry, x peak.PullCorrected, v *evidence, scale *rescaling, before, result *outcome, traces publish.Traces,
) {
	again := x
	again.At, again.Scale = e.at(), scale.name
	var err error
	if again.Old, err = v.before(before); err == nil {
		again.New, err = v.corrected(scale)
	}
	result.set(again.New)
	if err != nil {
		r.problem(e, "pull "+strconv.FormatInt(x.New.Pull, 10)+" cannot be corrected: "+err.Error())
		return
	}
	again.Old = moved(again.Old, x.Old.StartedAt-again.Old.StartedAt)
	again.New = moved(again.New, again.Old.StartedAt-again.New.StartedAt)
	r.compare(e, x.New.Pull, again, traces)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.found.corrections++
}

// before is what a pull came to before a correction.
func (v *evidence) before(corrected *outcome) (peak.PullEnded, error) {
	if corrected != nil {
		<-corrected.done
		return corrected.ended, nil
	}
	j, err := v.judge()
	return j.ended, err
}

// corrected is what a pull comes to with another scale.
func (v *evidence) corrected(scale *rescaling) (peak.PullEnded, error) {
	again, err := v.rescaled(scale)
	if err != nil {
		return peak.PullEnded{}, err
	}
	j, err := again.judge()
	return j.ended, err
}
