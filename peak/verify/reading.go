package verify

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Reading is one comparison, in newtons. An applied force of 0 is the zero return at
// the end of its run.
type Reading struct {
	Run                int // from 1
	Applied, Indicated float64
}

// Row is a reading with its error.
type Row struct {
	Reading
	Error   float64 // indicated - applied, N
	Percent float64 // of the applied force; 0 for a zero return
}

func rowOf(r Reading) Row {
	row := Row{Reading: r, Error: r.Indicated - r.Applied}
	if r.Applied != 0 {
		row.Percent = row.Error / r.Applied * 100
	}
	return row
}

// sameForce is how far the forces of one level may lie apart, as a part of them: a
// force set by hand is not met exactly.
const sameForce = 0.05

// runs are the readings of each run under force, and the zero returns.
type runs struct {
	forces [][]Row
	zeros  []Row
}

// sortRuns takes the readings apart by run. Within a run forces rise; why says what
// is wrong with them.
func sortRuns(readings []Reading) (r runs, why string) {
	byRun := map[int][]Row{}
	var names []int
	for _, x := range readings {
		row := rowOf(x)
		if x.Applied == 0 {
			r.zeros = append(r.zeros, row)
			continue
		}
		if _, known := byRun[x.Run]; !known {
			names = append(names, x.Run)
		}
		if before := byRun[x.Run]; len(before) > 0 && x.Applied <= before[len(before)-1].Applied {
			return r, fmt.Sprintf("in run %d the force falls from %s to %s: forces rise within a run", x.Run, inUnit(before[len(before)-1].Applied), inUnit(x.Applied))
		}
		byRun[x.Run] = append(byRun[x.Run], row)
	}
	slices.Sort(names)
	for _, name := range names {
		r.forces = append(r.forces, byRun[name])
	}
	return r, r.alike()
}

// alike says why the runs have not the same forces; empty when they have.
func (r *runs) alike() string {
	for _, run := range r.forces[min(1, len(r.forces)):] {
		first := r.forces[0]
		if len(run) != len(first) {
			return fmt.Sprintf("run %d has %d forces and run %d has %d: each run needs the same forces", first[0].Run, len(first), run[0].Run, len(run))
		}
		for i := range run {
			if a, b := first[i].Applied, run[i].Applied; math.Abs(a-b) > sameForce*math.Min(a, b) {
				return fmt.Sprintf("force %d is %s in run %d and %s in run %d: more than 5 %% apart", i+1, inUnit(a), first[i].Run, inUnit(b), run[i].Run)
			}
		}
	}
	return ""
}

// Level is one force in all runs.
type Level struct {
	Applied       float64 // mean of the runs, N
	MaxError      float64 // the largest percent error of a run, without its sign
	Repeatability float64 // ASTM E4: difference of the largest and smallest percent error
	Q             float64 // ISO 7500-1: relative indication error, mean of the runs, per cent
	BOlder        float64 // repeatability by editions before 2015: spread of the forces over their mean, per cent
	BLater        float64 // by the edition of 2015 and later: spread of q, per cent
	Resolution    float64 // relative resolution a, per cent
}

// levels joins the k-th forces of all runs.
func (r *runs) levels(resolution float64) []Level {
	if len(r.forces) == 0 {
		return nil
	}
	out := make([]Level, len(r.forces[0]))
	for k := range out {
		var rows []Row
		for _, run := range r.forces {
			rows = append(rows, run[k])
		}
		out[k] = levelOf(rows, resolution)
	}
	return out
}

func levelOf(rows []Row, resolution float64) Level {
	var l Level
	n := float64(len(rows))
	for _, r := range rows {
		l.Applied += r.Applied
		l.Q += r.Percent
		l.MaxError = max(l.MaxError, math.Abs(r.Percent))
	}
	l.Applied, l.Q = l.Applied/n, l.Q/n
	least := slices.MinFunc(rows, func(a, b Row) int { return cmp.Compare(a.Percent, b.Percent) })
	most := slices.MaxFunc(rows, func(a, b Row) int { return cmp.Compare(a.Percent, b.Percent) })
	l.Repeatability = most.Percent - least.Percent
	l.BLater = l.Repeatability
	l.BOlder = olderB(rows, l.Applied)
	l.Resolution = resolution / l.Applied * 100
	return l
}

// olderB is the spread of the forces over their mean. Runs whose applied forces
// differ a little are brought to the mean applied force first.
func olderB(rows []Row, applied float64) float64 {
	least, most, sum := math.Inf(1), math.Inf(-1), 0.0
	for _, r := range rows {
		f := r.Indicated
		if r.Applied != applied {
			f = f / r.Applied * applied
		}
		least, most = min(least, f), max(most, f)
		sum += f
	}
	return (most - least) / (sum / float64(len(rows))) * 100
}
