package peak

import "time"

// pullCheck is how force and pressure agreed in a pull. Pressure never makes a
// verdict by itself: what disagrees needs a person.
type pullCheck struct {
	last    bool // the force was outside its band at the last checkpoint
	before  bool // at the one before the peak
	pending bool // the one after the peak is awaited
	atPeak  bool // at both of them
	inHold  bool // for long enough while the load was held
}

// newPeak says that the force is higher than ever in this pull.
func (k *pullCheck) newPeak() { k.before, k.pending, k.atPeak = k.last, true, false }

// seeCheck takes the checkpoint that has just been compared.
func (p *pull) seeCheck(x *crosscheck) {
	k := &p.check
	switch {
	case !k.pending:
	case x.last.at <= p.peakAt:
		k.before = x.outside
	default:
		k.atPeak, k.pending = k.before && x.outside, false
	}
	k.last = x.outside
	if p.hold.running && x.disagrees() {
		k.inHold = true
	}
}

// disagreed says that the force was not what its pressure allows, at the peak or in
// the hold.
func (p *pull) disagreed() bool {
	k := &p.check
	return k.inHold || k.atPeak || k.pending && k.before
}

// revokeLoss takes back a loss of load that was seen later than a moment: the
// pressure showed that there was none.
func (p *pull) revokeLoss(after time.Duration) {
	if p.lossAt > after {
		p.lossEarly, p.lossLate = false, false
	}
}

// ratioAtPeak is the gross peak as a part of pressure x area; unknown without a
// pressure to speak of.
func (m *Machine) ratioAtPeak(e *PullEnded) Maybe[Ratio] {
	if !m.cross.on || !e.Peak.Known || !e.PressureAtPeak.Known || e.PressureAtPeak.Value < max(1, m.cross.least) {
		return Maybe[Ratio]{}
	}
	return Known(partOf(e.Peak.Value+e.Tare, m.cross.area.force(e.PressureAtPeak.Value)))
}
