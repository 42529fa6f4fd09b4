package peak

import "time"

// The times of the cross-check of force and pressure. A break takes the pressure
// with it within milliseconds, and an indicator's filter lags by a tenth of a second:
// what disagrees for longer is neither.
const (
	flatFor     = 80 * time.Millisecond  // of a force that does not follow
	outsideFor  = 150 * time.Millisecond // of a force that the pressure does not allow
	agreeingFor = 150 * time.Millisecond // of what ends an alarm
	// pumpedWithin is how long after the last rise of the pressure a rise of the load
	// still goes on; later the seals stick and the pressure must overcome that first.
	pumpedWithin = 500 * time.Millisecond
	// checkEvery is the least time between two checkpoints, over which a motion can be
	// told from noise.
	checkEvery = 50 * time.Millisecond
)

// checkpoint is a reading that a pressure was read with.
type checkpoint struct {
	at    time.Duration
	force Force // gross and confirmed
	// low and high are the least and greatest of the reading and its neighbours: the
	// pressure was read somewhere between them.
	low, high Force
	pressure  Pressure
	hydraulic Force // pressure x area
}

// crosscheck compares force and pressure at each reading that has both. The zero
// value, for a bench without a known cylinder, does nothing.
type crosscheck struct {
	on       bool
	cylinder Cylinder
	area     area
	step     Force    // what counts as a motion of the force
	least    Pressure // the bench is not under pressure below it
	reached  Force    // what the pressure must allow before a force counts as gone

	seen bool
	last checkpoint
	// followed is where the force was seen last to go where the pressure went;
	// rising says that the load was being raised then, pumpedAt until when.
	followed   checkpoint
	rising     bool
	pumpedAt   time.Duration
	pumpedFrom Pressure // the lowest since

	outsideSince Maybe[time.Duration] // of the band, without a break
	outside      bool                 // at the last checkpoint

	suspected flaw
	suspect   time.Duration // since when
	agreed    bool
	agreedAt  time.Duration // the last checkpoint at which nothing was suspected, over gaps too
}

// flaw is what is wrong with a force for its pressure.
type flaw uint8

const (
	noFlaw   flaw = iota
	unmoved       // the pressure went up or down and the force stayed
	vanished      // less than half of what the pressure must give
)

func newCrosscheck(s Settings) crosscheck {
	if !s.Cylinder.Known {
		return crosscheck{}
	}
	c := s.Cylinder.Value
	return crosscheck{
		on: true, cylinder: c, area: areaOf(c.Bore, c.Rod), step: 2 * max(s.Zero.Motion, s.Division),
		least: s.Zero.PressurisedAbove, reached: s.Capture.StartAbove,
	}
}

// see takes the next reading. It says whether the force was compared with a pressure,
// and what has been wrong with it for long enough.
func (x *crosscheck) see(s *sample, tare Force) (compared bool, found flaw) {
	if !s.confirmed.Known {
		x.lose()
		return false, noFlaw
	}
	if !s.pressed || x.seen && s.at-x.last.at < checkEvery {
		return false, noFlaw
	}
	c := checkpoint{
		at: s.at, force: s.confirmed.Value + tare, low: s.low + tare, high: s.high + tare,
		pressure: s.pressure.Value, hydraulic: x.area.force(s.pressure.Value),
	}
	x.follow(c)
	x.compare(c)
	found = x.judge(c)
	x.last, x.seen = c, true
	return true, found
}

// lose forgets what went before: beside a gap there is nothing to compare with.
func (x *crosscheck) lose() {
	x.seen, x.rising, x.suspected, x.outside = false, false, noFlaw, false
	x.outsideSince = Maybe[time.Duration]{}
}

// follow finds out whether the force went where the pressure went.
func (x *crosscheck) follow(c checkpoint) {
	if !x.seen || c.at-x.last.at > pressureAge {
		x.lose()
		x.followed, x.pumpedFrom = c, c.pressure
		return
	}
	pumped := c.pressure-x.pumpedFrom >= x.cylinder.Unfollowed/4
	if pumped {
		x.pumpedAt, x.pumpedFrom = c.at, c.pressure
	}
	x.pumpedFrom = min(x.pumpedFrom, c.pressure)
	moved := c.force - x.followed.force
	// In a rise friction is at its greatest already: what is more of the hydraulic
	// force reaches the load but for friction's part. A quarter of that is following.
	due := c.hydraulic - x.followed.hydraulic
	due -= x.cylinder.Friction.Of(due)
	switch {
	case moved <= -x.step:
		x.followed, x.rising = c, false
	case moved >= x.step && 4*moved >= due:
		x.followed, x.rising = c, pumped || x.rising
	case x.rising && c.at-x.pumpedAt > pumpedWithin:
		x.followed, x.rising = c, false
	}
}

// compare holds the force against the band of its pressure.
func (x *crosscheck) compare(c checkpoint) {
	x.outside = !x.cylinder.band(c.hydraulic, x.motion(c)).Contains(c.low, c.high)
	switch {
	case !x.outside:
		x.outsideSince = Maybe[time.Duration]{}
	case !x.outsideSince.Known:
		x.outsideSince = Known(c.at)
	}
}

// motion says whether the piston is known to go forward. A force that falls says nothing:
// the load may be let down, or the item creeps and the piston still follows it.
func (x *crosscheck) motion(c checkpoint) Motion {
	if x.seen && c.force-x.last.force >= x.step && c.pressure > x.last.pressure {
		return Rising
	}
	return Standing
}

// disagrees says that force and pressure have disagreed for long enough.
func (x *crosscheck) disagrees() bool {
	return x.outsideSince.Known && x.last.at-x.outsideSince.Value >= outsideFor
}

// judge says what has been wrong with the force for long enough to tell.
func (x *crosscheck) judge(c checkpoint) flaw {
	now := x.flaw(c)
	if now == noFlaw {
		x.suspected = noFlaw
		if !x.seen || 2*c.low >= x.cylinder.band(c.hydraulic, Standing).Low { // its neighbours agree too
			x.agreed, x.agreedAt = true, c.at
		}
		return noFlaw
	}
	if x.suspected == noFlaw {
		x.suspect = c.at
	}
	if !x.agreed { // it was never seen to
		x.agreed, x.agreedAt = true, c.at
	}
	x.suspected = now
	if long := c.at - x.suspect; now == unmoved && long >= flatFor || long >= outsideFor {
		return now
	}
	return noFlaw
}

func (x *crosscheck) flaw(c checkpoint) flaw {
	low, high := x.cylinder.band(c.hydraulic, Rising).Low, x.cylinder.band(c.hydraulic, Falling).High
	moved := c.pressure - x.followed.pressure
	switch {
	case c.pressure >= x.least && low >= x.reached && 2*c.high < low:
		return vanished
	case c.pressure >= x.least && moved >= x.cylinder.Unfollowed && (x.rising || c.high < low):
		return unmoved
	case moved <= -x.cylinder.Unfollowed && c.low > high && c.force-x.followed.force < x.step:
		return unmoved
	}
	return noFlaw
}
