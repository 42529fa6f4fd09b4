package bench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"thimbled/peak"
)

// NoCell is what an indicator shows whose load cell is unplugged.
type NoCell uint8

// What an indicator may show. Plugged is none of it.
const (
	Plugged        NoCell = iota
	ShowsOverRange        // it says that it is over its range
	ShowsUnderRange
	ShowsNotReady // it says that it has no valid value
	ShowsZero     // it shows nothing, as if that were true
	ShowsFrozen   // it shows the last value again and again
	noCells
)

var noCellWords = [noCells]string{"plugged", "over-range", "under-range", "not-ready", "zero", "frozen"}

// String returns the word used in scripts.
func (n NoCell) String() string {
	if n >= noCells {
		return "unknown"
	}
	return noCellWords[n]
}

func parseNoCell(word string) (NoCell, error) {
	if i := slices.Index(noCellWords[1:], word); i >= 0 {
		return NoCell(i + 1), nil
	}
	return Plugged, fmt.Errorf("%s is not one of %s", word, strings.Join(noCellWords[1:], ", "))
}

// Cell describes the load cell's imperfections.
type Cell struct {
	Zero        peak.Force    // what it shows without load
	Drift       peak.Force    // how far that wanders to either side
	DriftPeriod time.Duration // of one wander there and back, bench time; 0 for none
	Noise       peak.Force    // standard deviation of one sample
}

// cell is a load cell at work. Its owner is the simulation.
type cell struct {
	Cell
	chance *rand.Rand
	shift  peak.Force // lasting change of zero
	spike  peak.Force // added to the next sample only
	shows  NoCell     // what the indicator shows while the plug is out
	loose  Step       // what pulls the plug, if anything will
}

// feel pulls a loose plug once the force is what does it.
func (c *cell) feel(force peak.Force) {
	if c.loose.Shows != Plugged && force >= c.loose.Force {
		c.shows = c.loose.Shows
	}
}

// sample is the cell's signal for the given true force.
func (c *cell) sample(at time.Duration, force peak.Force) peak.Force {
	noise := peak.Force(math.Round(c.chance.NormFloat64() * float64(c.Noise)))
	seen := force + c.Zero + c.shift + c.spike + c.drift(at) + noise
	c.spike = 0
	return seen
}

// drift wanders along a triangle: 0, +Drift, 0, -Drift, 0.
func (c *cell) drift(at time.Duration) peak.Force {
	if c.DriftPeriod <= 0 {
		return 0
	}
	quarters := 4 * float64(at%c.DriftPeriod) / float64(c.DriftPeriod)
	switch {
	case quarters < 1:
	case quarters < 3:
		quarters = 2 - quarters
	default:
		quarters -= 4
	}
	return peak.Force(math.Round(quarters * float64(c.Drift)))
}
