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
	lossAt         time.Duration // of the first loss
	check          pullCheck
	doubts         []Reason

	noise    noise   // of the readings of the holds
	updates  updates // of the indicator while the force moves
	step     Force   // between the last two values of the indicator
	value    Maybe[Force]
	peakStep Force // the larger of the steps beside the peak
	pastPeak bool  // the step after the peak was seen

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
		p.noise.pause()
		return false
	}
	p.seeStep(s)
	if !p.peak.Known || s.confirmed.Value > p.peak.Value {
		p.peak, p.peakAt, p.pressureAtPeak = s.confirmed, s.at, s.pressure
		p.peakStep, p.pastPeak = p.step, false
		p.check.newPeak()
	}
	reached := p.hold.see(s)
	if p.hold.running {
		p.noise.see(s.net, s.gap > 0)
		p.updates.pause()
	} else {
		p.noise.pause()
		p.updates.see(s.at, s.net)
	}
	return reached
}

// seeStep follows the steps from one value of the indicator to the next: what
// the force did between them was not seen.
func (p *pull) seeStep(s sample) {
	f := s.confirmed.Value
	if p.value.Known && p.value.Value == f {
		return
	}
	if p.value.Known {
		p.step = absForce(f - p.value.Value)
	}
	p.value = Known(f)
	if p.peak.Known && !p.pastPeak {
		p.peakStep, p.pastPeak = max(p.peakStep, p.step), true
	}
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
func (p *pull) seeLoss(lost bool, at time.Duration) {
	if lost && !p.lossEarly && !p.lossLate {
		p.lossAt = at
	}
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
