package page

import (
	"thimbled/peak"
	"thimbled/peak/decision"
	"thimbled/publish"
)

// risk is the probability that a pull was accepted falsely, in per cent; null where
// nothing was accepted or no uncertainty is known.
type risk struct {
	BelowAsked *float64 `json:"below_asked_percent"`
	AboveLimit *float64 `json:"above_limit_percent"`
}

// riskOf works out the risk of the pull that a record tells of, as judged last.
func riskOf(r publish.Record) risk {
	e, err := publish.Decode(r.Event, publish.Clock{Epoch: r.Time}, publish.Traces{})
	if err != nil {
		return risk{} // of a later version, whose own page shows it
	}
	var ended peak.PullEnded
	switch e := e.(type) {
	case peak.PullEnded:
		ended = e
	case peak.PullAssigned:
		ended = e.Ended
	case peak.PullCorrected:
		ended = e.New
	}
	if ended.Verdict != peak.Pass && ended.Verdict != peak.Review {
		return risk{} // nothing was accepted
	}
	found := decision.OfPull(ended)
	return risk{BelowAsked: inPercent(found.Held), AboveLimit: inPercent(found.Peak)}
}

func inPercent(m peak.Maybe[float64]) *float64 {
	if !m.Known {
		return nil
	}
	p := m.Value * 100
	return &p
}
