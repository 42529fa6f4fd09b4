package peak

import "time"

// pressureAge is how long a pressure counts as known; a transducer is read
// several times within it.
const pressureAge = time.Second

// pressureSeen remembers the last pressure.
type pressureSeen struct {
	ever bool
	at   time.Duration
	last Pressure
}

func (p *pressureSeen) see(r *Reading) {
	if r.Pressure.Known {
		p.ever, p.at, p.last = true, r.At, r.Pressure.Value
	}
}

// value is the pressure at a time, unknown when the last one is too old.
func (p *pressureSeen) value(now time.Duration) Maybe[Pressure] {
	if !p.ever || now-p.at > pressureAge {
		return Maybe[Pressure]{}
	}
	return Known(p.last)
}

// pressurised says that the bench may be under pressure. A bench whose pressure
// was never read has no transducer to ask; one whose transducer fell silent
// may be under pressure.
func (p *pressureSeen) pressurised(now time.Duration, above Pressure) bool {
	if !p.ever {
		return false
	}
	v := p.value(now)
	return !v.Known || v.Value >= above
}
