package publish

import (
	"time"

	"thimbled/peak"
)

// decodeRecord is decode for what is recorded beside pulls and jobs.
func decodeRecord(e Event, at time.Duration, c Clock, traces Traces) (peak.Event, error) {
	switch e.Type {
	case peak.TypeVerificationStarted:
		return read(e, func(v verificationStarted) peak.Event {
			return peak.VerificationStarted{
				At: at, Range: v.Range, Standard: peak.Standard{Name: v.Standard, Uncertainty: peak.Ratio(v.Uncertainty)}, By: v.By,
			}
		})
	case peak.TypePointTaken:
		return read(e, func(p pointTaken) peak.Event { return peak.PointTaken{Point: p.verifiedPoint.peak(c), By: p.By} })
	case peak.TypePointDropped:
		return read(e, func(p pointDropped) peak.Event {
			return peak.PointDropped{At: at, Point: p.verifiedPoint.peak(c), Why: p.Why, By: p.By}
		})
	case peak.TypeVerificationCancelled:
		return read(e, func(v verificationCancelled) peak.Event {
			return peak.VerificationCancelled{At: at, Why: v.Why, By: v.By}
		})
	case peak.TypeForceVerified:
		return read(e, func(v forceVerified) peak.Event {
			out := peak.ForceVerified{At: at, Verification: v.verification.peak(c)}
			for _, p := range v.Points {
				out.Points = append(out.Points, p.peak(c))
			}
			return out
		})
	case peak.TypeParametersChanged:
		return read(e, func(p parametersChanged) peak.Event { return p.event(at) })
	case peak.TypePullCorrected:
		return read(e, func(p pullCorrected) peak.Event {
			return peak.PullCorrected{
				At: at, Old: p.Old.event(at, c, traces), New: p.New.event(at, c, traces), Scale: p.Scale, Why: p.Why, By: p.By,
			}
		})
	}
	return nil, ErrNotDecoded
}

func (p parametersChanged) event(at time.Duration) peak.ParametersChanged {
	out := peak.ParametersChanged{At: at, Count: p.Count, By: p.By}
	for _, x := range p.Changes {
		out.Changes = append(out.Changes, peak.Change{Name: x.Name, Old: textOf(x.Old), New: textOf(x.New)})
	}
	return out
}

func textOf(s *string) peak.Maybe[string] {
	if s == nil {
		return peak.Maybe[string]{}
	}
	return peak.Known(*s)
}
