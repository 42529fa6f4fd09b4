package verify

import (
	"fmt"
	"slices"

	"thimbled/peak"
)

// Reading is one comparison, in newtons. An applied force of 0 is a zero reading:
// before the first force of its run the zero that the run begins with, which is
// otherwise taken as set to 0 N; after the last force the run's zero return. Other
// applied forces are at least 0.001 N.
type Reading struct {
	Run                int // from 1; a run is one loading from zero to its highest force
	Applied, Indicated float64
}

// Row is a reading with its error.
type Row struct {
	Reading
	Error   float64 // indicated - applied, N
	Percent float64 // of the applied force (ASTM E4, from memory); 0 for a zero reading, which has none
}

func rowOf(r Reading) Row {
	row := Row{Reading: r, Error: r.Indicated - r.Applied}
	if r.Applied != 0 {
		row.Percent = row.Error / r.Applied * 100
	}
	return row
}

// series is one run.
type series struct {
	run           int
	forces        []Row
	before, after peak.Maybe[float64] // zero readings, N
}

// split takes the rows apart by run, which may be interleaved, in the order of the
// runs' numbers. Each run that is no single loading is refused.
func (r *Report) split() []*series {
	byRun := map[int]*series{}
	var all []*series
	refused := map[int]bool{}
	for _, row := range r.Rows {
		s := byRun[row.Run]
		if s == nil {
			s = &series{run: row.Run}
			byRun[row.Run] = s
			all = append(all, s)
		}
		if why := s.add(row, r.show); why != "" && !refused[row.Run] {
			refused[row.Run] = true
			r.find(Refuses, ruleReadings, "%s", why)
		}
	}
	all = slices.DeleteFunc(all, func(s *series) bool { return len(s.forces) == 0 })
	slices.SortFunc(all, func(a, b *series) int { return a.run - b.run })
	return all
}

// add takes the next row of the run and says what is wrong with its place in it.
func (s *series) add(row Row, show func(float64) string) (why string) {
	n := len(s.forces)
	switch {
	case row.Applied == 0 && n == 0:
		s.before = peak.Known(row.Indicated)
		return ""
	case row.Applied == 0:
		s.after = peak.Known(row.Indicated)
		return ""
	case s.after.Known:
		why = fmt.Sprintf("run %d goes on with %s behind its zero return: that is another run", s.run, show(row.Applied))
	case n > 0 && row.Applied <= s.forces[n-1].Applied:
		why = fmt.Sprintf("in run %d, %s follows %s: forces rise within a run, falling ones are not judged", s.run, show(row.Applied), show(s.forces[n-1].Applied))
	}
	s.forces = append(s.forces, row)
	return why
}

// sameForce is how far the forces of one level may lie from their mean, as a part of
// it: a force set by hand is not met exactly, and percent errors hardly depend on it.
// A force that was left out is missed by more (common practice).
const sameForce = 0.05

// pair joins the k-th forces of all runs to levels. What runs there are is joined even
// where they do not fit, so that a verification in the making can be looked at; but
// then nothing is verified.
func (r *Report) pair(all []*series) {
	most := 0
	for _, s := range all {
		most = max(most, len(s.forces))
	}
	for k := range most {
		var rows []Row
		for _, s := range all {
			if k < len(s.forces) {
				rows = append(rows, s.forces[k])
			}
		}
		r.Levels = append(r.Levels, levelOf(rows, r.resolution))
	}
	for _, s := range all {
		if len(s.forces) < most {
			r.find(Refuses, ruleReadings, "run %d has %d forces, another has %d: each run needs the same forces", s.run, len(s.forces), most)
		}
	}
	r.alike()
}

// alike refuses levels whose forces are not the same.
func (r *Report) alike() {
	for k, l := range r.Levels {
		switch {
		case l.Highest-l.Applied > sameForce*l.Applied || l.Applied-l.Lowest > sameForce*l.Applied:
			r.find(Refuses, ruleReadings, "force %d is %s in one run and %s in another: more than %g %% from their mean",
				k+1, r.show(l.Lowest), r.show(l.Highest), 100*sameForce)
		case k > 0 && l.Lowest <= r.Levels[k-1].Highest:
			r.find(Refuses, ruleReadings, "force %d of one run, %s, is not above force %d of another, %s",
				k+1, r.show(l.Lowest), k, r.show(r.Levels[k-1].Highest))
		}
	}
}
