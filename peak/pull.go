package peak

import (
	"slices"
	"time"
)

// pull is what is known of the pull in hand or, once it has ended, of the last
// one.
type pull struct {
	number      int64
	job, label  string
	requirement Maybe[Requirement]
	startedAt   time.Duration
	zeroBefore  Maybe[Force]

	peak           Maybe[Force]
	peakAt         time.Duration
	pressureAtPeak Maybe[Pressure]
	highest        Force
	longestGap     time.Duration
	hold           holder
	lossEarly      bool // load lost before the hold was complete
	lossLate       bool
	doubts         []Reason

	end   ending
	after after
}

// ending finds the stretch at or below the end level that ends a pull.
type ending struct {
	low     bool
	from    time.Duration // the first reading of the stretch
	highest Force         // of the stretch: it counts only if the pull goes on
	ended   bool
}

// see takes one reading of the pull.
func (p *pull) see(s sample, set Capture) (holdReached bool) {
	p.seeGap(s)
	p.seeEnd(s, set)
	p.seeHighest(s)
	if !s.confirmed.Known {
		p.hold.see(s)
		return false
	}
	if !p.peak.Known || s.confirmed.Value > p.peak.Value {
		p.peak, p.peakAt, p.pressureAtPeak = s.confirmed, s.at, s.pressure
	}
	return p.hold.see(s)
}

func (p *pull) seeGap(s sample) {
	if s.at > p.startedAt {
		p.longestGap = max(p.longestGap, s.gap)
	}
}

// seeEnd follows the stretch that may be the pull's end. A reading without a
// confirmed force interrupts it: the force was not seen to stay low.
func (p *pull) seeEnd(s sample, set Capture) {
	if !s.confirmed.Known || s.confirmed.Value > set.EndBelow {
		if p.end.low {
			p.highest = max(p.highest, p.end.highest)
		}
		p.end = ending{}
		return
	}
	if !p.end.low {
		p.end = ending{low: true, from: s.at, highest: s.net}
		p.after = after{from: s.at}
	}
	p.end.ended = s.at-p.end.from >= set.EndAfter
}

func (p *pull) seeHighest(s sample) {
	if p.end.low && s.at > p.end.from {
		p.end.highest = max(p.end.highest, s.net)
		return
	}
	p.highest = max(p.highest, s.net)
}

// seeLoss notes a loss of load, before or after the hold was complete.
func (p *pull) seeLoss(lost bool) {
	switch {
	case !lost:
	case p.hold.complete:
		p.lossLate = true
	default:
		p.lossEarly = true
	}
}

func (p *pull) doubt(r Reason) {
	if !slices.Contains(p.doubts, r) {
		p.doubts = append(p.doubts, r)
	}
}
