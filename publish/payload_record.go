package publish

import "thimbled/peak"

// budget is the uncertainty budget of one force: standard uncertainties, what they
// come to, and the expanded uncertainty.
type budget struct {
	Verification  newtons `json:"verification_newtons"`
	Reference     newtons `json:"reference_newtons"`
	Repeatability newtons `json:"repeatability_newtons"`
	Resolution    newtons `json:"resolution_newtons"`
	ZeroShift     newtons `json:"zero_shift_newtons"`
	Noise         newtons `json:"noise_newtons"`
	Sampling      newtons `json:"sampling_newtons"`
	Combined      newtons `json:"combined_newtons"`
	Expanded      newtons `json:"expanded_newtons"` // k = 2
}

func budgetOf(m peak.Maybe[peak.Budget]) *budget {
	if !m.Known {
		return nil
	}
	b := m.Value
	return &budget{
		Verification: newtons(b.Verification), Reference: newtons(b.Reference), Repeatability: newtons(b.Repeatability),
		Resolution: newtons(b.Resolution), ZeroShift: newtons(b.ZeroShift), Noise: newtons(b.Noise), Sampling: newtons(b.Sampling),
		Combined: newtons(b.Combined()), Expanded: newtons(b.Expanded()),
	}
}

func (b *budget) maybe() peak.Maybe[peak.Budget] {
	if b == nil {
		return peak.Maybe[peak.Budget]{}
	}
	return peak.Known(peak.Budget{
		Verification: peak.Force(b.Verification), Reference: peak.Force(b.Reference), Repeatability: peak.Force(b.Repeatability),
		Resolution: peak.Force(b.Resolution), ZeroShift: peak.Force(b.ZeroShift), Noise: peak.Force(b.Noise), Sampling: peak.Force(b.Sampling),
	})
}

type verificationStarted struct {
	Range       string  `json:"range"`
	Standard    string  `json:"standard"`
	Uncertainty percent `json:"standard_uncertainty_percent"` // expanded, k = 2
	By          string  `json:"by"`
}

type pointTaken struct {
	verifiedPoint
	By string `json:"by"`
}

type pointDropped struct {
	verifiedPoint
	Why string `json:"why"`
	By  string `json:"by"`
}

type verificationCancelled struct {
	Why string `json:"why"`
	By  string `json:"by"`
}

// verifiedPoint is one comparison with the reference.
type verifiedPoint struct {
	Run       int     `json:"run"`
	Applied   newtons `json:"applied_newtons"`
	Indicated newtons `json:"indicated_newtons"`
	Spread    newtons `json:"spread_newtons"`
	TakenAt   stamp   `json:"taken_at"`
}

func pointOf(p peak.Point, c Clock) verifiedPoint {
	return verifiedPoint{
		Run: p.Run, Applied: newtons(p.Applied), Indicated: newtons(p.Indicated), Spread: newtons(p.Spread), TakenAt: stamp(c.Wall(p.At)),
	}
}

func (p verifiedPoint) peak(c Clock) peak.Point {
	return peak.Point{
		Run: p.Run, Applied: peak.Force(p.Applied), Indicated: peak.Force(p.Indicated), Spread: peak.Force(p.Spread), At: p.TakenAt.since(c),
	}
}

type verification struct {
	Range         string  `json:"range"`
	Serial        string  `json:"serial"`
	Scale         string  `json:"scale"`
	Constant      *int64  `json:"constant"`
	From          newtons `json:"verified_from_newtons"`
	To            newtons `json:"verified_to_newtons"`
	On            stamp   `json:"verified_at"`
	Until         stamp   `json:"until_at"`
	Standard      string  `json:"standard"`
	Uncertainty   percent `json:"standard_uncertainty_percent"` // expanded, k = 2
	MaxError      percent `json:"largest_error_percent"`        // without its sign
	Repeatability percent `json:"repeatability_percent"`
	ISOClass      string  `json:"iso_class"`
	Report        string  `json:"report"`
	By            string  `json:"by"`
}

func verificationOf(v peak.Verification, c Clock) verification {
	return verification{
		Range: v.Range, Serial: v.Serial, Scale: v.Scale, Constant: maybeNumber(v.Constant),
		From: newtons(v.From), To: newtons(v.To), On: stamp(c.Wall(v.On)), Until: stamp(c.Wall(v.Until)),
		Standard: v.Standard.Name, Uncertainty: percent(v.Standard.Uncertainty),
		MaxError: percent(v.MaxError), Repeatability: percent(v.Repeatability), ISOClass: v.ISOClass, Report: v.Report, By: v.By,
	}
}

func (v verification) peak(c Clock) peak.Verification {
	out := peak.Verification{
		Range: v.Range, Serial: v.Serial, Scale: v.Scale, From: peak.Force(v.From), To: peak.Force(v.To),
		On: v.On.since(c), Until: v.Until.since(c),
		Standard: peak.Standard{Name: v.Standard, Uncertainty: peak.Ratio(v.Uncertainty)},
		MaxError: peak.Ratio(v.MaxError), Repeatability: peak.Ratio(v.Repeatability), ISOClass: v.ISOClass, Report: v.Report, By: v.By,
	}
	if v.Constant != nil {
		out.Constant = peak.Known(*v.Constant)
	}
	return out
}

func maybeNumber(m peak.Maybe[int64]) *int64 {
	if !m.Known {
		return nil
	}
	return &m.Value
}

type forceVerified struct {
	verification
	Points []verifiedPoint `json:"points"`
}

type clockStepped struct {
	By seconds `json:"step_seconds"` // later when above 0
}

type change struct {
	Name string  `json:"parameter"`
	Old  *string `json:"old"`
	New  *string `json:"new"`
}

type parametersChanged struct {
	Changes []change `json:"changes"`
	Count   int64    `json:"changes_so_far"`
	By      string   `json:"by"`
}

type pullCorrected struct {
	Pull  int64     `json:"pull"`
	Old   pullEnded `json:"recorded"`
	New   pullEnded `json:"corrected"`
	Scale string    `json:"scale"`
	Why   string    `json:"why"`
	By    string    `json:"by"`
}

type brokerRepaired struct {
	LostFrom *uint64 `json:"lost_from"` // record numbers; null when none was lost
	LostTo   *uint64 `json:"lost_to"`
	Restored uint64  `json:"records_restored"`
	Why      string  `json:"why"`
}

func brokerRepairedOf(e peak.BrokerRepaired) brokerRepaired {
	out := brokerRepaired{Restored: e.Restored, Why: e.Why}
	if e.LostTo != 0 {
		out.LostFrom, out.LostTo = &e.LostFrom, &e.LostTo
	}
	return out
}

// recordPayload is payload for what is recorded beside pulls and jobs.
func recordPayload(e peak.Event, c Clock, traces Traces) any {
	switch e := e.(type) {
	case peak.VerificationStarted:
		return verificationStarted{
			Range: e.Range, Standard: e.Standard.Name, Uncertainty: percent(e.Standard.Uncertainty), By: e.By,
		}
	case peak.PointTaken:
		return pointTaken{verifiedPoint: pointOf(e.Point, c), By: e.By}
	case peak.PointDropped:
		return pointDropped{verifiedPoint: pointOf(e.Point, c), Why: e.Why, By: e.By}
	case peak.VerificationCancelled:
		return verificationCancelled{Why: e.Why, By: e.By}
	case peak.ForceVerified:
		out := forceVerified{verification: verificationOf(e.Verification, c), Points: []verifiedPoint{}}
		for _, p := range e.Points {
			out.Points = append(out.Points, pointOf(p, c))
		}
		return out
	case peak.AlarmRaised:
		return alarmRaised{Alarm: e.Alarm, Why: e.Why, Since: stamp(c.Wall(e.Since))}
	case peak.AlarmCleared:
		return alarmCleared{Alarm: e.Alarm, Raised: stamp(c.Wall(e.Since))}
	case peak.ClockStepped:
		return clockStepped{By: seconds(e.By)}
	case peak.BrokerRepaired:
		return brokerRepairedOf(e)
	case peak.ParametersChanged:
		out := parametersChanged{Changes: []change{}, Count: e.Count, By: e.By}
		for _, x := range e.Changes {
			out.Changes = append(out.Changes, change{Name: x.Name, Old: maybeText(x.Old), New: maybeText(x.New)})
		}
		return out
	case peak.PullCorrected:
		return pullCorrected{
			Pull: e.New.Pull, Old: pullEndedOf(e.Old, c, traces), New: pullEndedOf(e.New, c, traces), Scale: e.Scale, Why: e.Why, By: e.By,
		}
	}
	panic("no encoding for " + e.Type())
}

func maybeText(m peak.Maybe[string]) *string {
	if !m.Known {
		return nil
	}
	return &m.Value
}
