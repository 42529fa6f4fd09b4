package publish

import "thimbled/peak"

type alarmRaised struct {
	Alarm peak.Alarm `json:"alarm"`
	Why   string     `json:"why"`
	Since stamp      `json:"since_at"` // the last moment at which all was well
}

type alarmCleared struct {
	Alarm  peak.Alarm `json:"alarm"`
	Raised stamp      `json:"raised_at"`
}

func maybePercent(m peak.Maybe[peak.Ratio]) *percent {
	if !m.Known {
		return nil
	}
	p := percent(m.Value)
	return &p
}

func (p *percent) maybe() peak.Maybe[peak.Ratio] {
	if p == nil {
		return peak.Maybe[peak.Ratio]{}
	}
	return peak.Known(peak.Ratio(*p))
}
