package peak

import "time"

// sample is a good reading on its way through the stages.
type sample struct {
	at        time.Duration
	indicated Force
	net       Force
	pressure  Maybe[Pressure]
	pressed   bool // the pressure was read with this reading
	// confirmed is the median of the net forces of this reading and its two
	// neighbours; unknown beside a gap.
	confirmed Maybe[Force]
	// low and high are the least and greatest of those three.
	low, high Force
	// gap is the time since the reading before, if that is a gap.
	gap time.Duration
}

// confirmer gives each good reading its confirmed force. That takes the next
// reading, so what comes out is one reading late.
type confirmer struct {
	maxGap       time.Duration
	before, last sample
	held         int // how many of before and last follow each other without a gap
}

// push takes the next good reading and returns the one before it, complete.
func (c *confirmer) push(s sample) (out sample, ok bool) {
	out, ok = c.last, c.held > 0
	if ok && s.at-c.last.at > c.maxGap {
		s.gap = s.at - c.last.at
		c.last, c.held = s, 1
		return out, ok
	}
	if c.held == 2 {
		out.confirmed = Known(median(c.before.net, c.last.net, s.net))
		out.low, out.high = min(c.before.net, c.last.net, s.net), max(c.before.net, c.last.net, s.net)
	}
	c.before, c.last, c.held = c.last, s, min(c.held+1, 2)
	return out, ok
}

// zeroMoved lets the readings that wait follow the zero that is tracked, so that all net
// forces of a pull are made with the zero that it is recorded with.
func (c *confirmer) zeroMoved(by Force) {
	c.before.net -= by
	c.last.net -= by
}

// flush returns the last reading, which nothing can confirm any more.
func (c *confirmer) flush() (out sample, ok bool) {
	out, ok = c.last, c.held > 0
	c.held = 0
	return out, ok
}

func median(a, b, c Force) Force {
	return max(min(a, b), min(max(a, b), c))
}
