package publish

import (
	"strconv"
	"time"

	"thimbled/peak"
)

// newtons writes a force as an exact decimal number of newtons.
type newtons peak.Force

func (n newtons) MarshalJSON() ([]byte, error) { return peak.Force(n).AppendNewtons(nil), nil }

func (n *newtons) UnmarshalJSON(b []byte) error {
	f, err := peak.ParseForce(string(b) + " N")
	*n = newtons(f)
	return err
}

// seconds writes a duration as an exact decimal number of seconds.
type seconds time.Duration

func (s seconds) MarshalJSON() ([]byte, error) {
	return peak.AppendSeconds(nil, time.Duration(s)), nil
}

func (s *seconds) UnmarshalJSON(b []byte) error {
	d, err := peak.ParseDuration(string(b) + " s")
	*s = seconds(d)
	return err
}

// percent writes a ratio as an exact decimal number of per cent.
type percent peak.Ratio

func (p percent) MarshalJSON() ([]byte, error) { return peak.Ratio(p).AppendPercent(nil), nil }

func (p *percent) UnmarshalJSON(b []byte) error {
	r, err := peak.ParseRatio(string(b) + " %")
	*p = percent(r)
	return err
}

// metres writes a length as an exact decimal number of metres.
type metres peak.Length

func (m metres) MarshalJSON() ([]byte, error) { return peak.Length(m).AppendMetres(nil), nil }

func (m *metres) UnmarshalJSON(b []byte) error {
	l, err := peak.ParseLength(string(b) + " m")
	*m = metres(l)
	return err
}

// stamp writes a wall-clock time as RFC 3339 with nanoseconds.
type stamp time.Time

func (s stamp) MarshalJSON() ([]byte, error) {
	return strconv.AppendQuote(nil, Stamp(time.Time(s))), nil
}

func (s *stamp) UnmarshalJSON(b []byte) error {
	t, err := time.Parse(`"`+time.RFC3339Nano+`"`, string(b))
	*s = stamp(t)
	return err
}

func maybeNewtons(m peak.Maybe[peak.Force]) *newtons {
	if !m.Known {
		return nil
	}
	n := newtons(m.Value)
	return &n
}

func maybePascals(m peak.Maybe[peak.Pressure]) *int64 {
	if !m.Known {
		return nil
	}
	p := int64(m.Value)
	return &p
}

func maybeStamp(c Clock, m peak.Maybe[time.Duration]) *stamp {
	if !m.Known {
		return nil
	}
	s := stamp(c.Wall(m.Value))
	return &s
}

// demand is a requirement as it stands in an event; its parts are null when
// nothing was required.
type demand struct {
	Required *newtons `json:"required_newtons"`
	Asked    *newtons `json:"asked_newtons"`
	Guard    *percent `json:"guard_percent"`
	Limit    *newtons `json:"limit_newtons"`
	Hold     *seconds `json:"required_hold_seconds"`
	// LimitGuard is what the limit was lowered by for the uncertainty.
	LimitGuard newtons           `json:"limit_guard_newtons,omitzero"`
	Rule       peak.DecisionRule `json:"decision_rule,omitempty"`
}

func demandOf(m peak.Maybe[peak.Requirement]) demand {
	if !m.Known {
		return demand{}
	}
	r := m.Value
	required, asked, guard, hold := newtons(r.Required()), newtons(r.Asked), percent(r.Guard), seconds(r.Hold)
	return demand{
		Required: &required, Asked: &asked, Guard: &guard, Limit: maybeNewtons(r.Highest()), Hold: &hold,
		LimitGuard: newtons(r.LimitGuard), Rule: r.Decision(),
	}
}

type pullStarted struct {
	Pull       int64    `json:"pull"`
	StartedAt  stamp    `json:"started_at"`
	ZeroBefore *newtons `json:"zero_before_newtons"`
	Zero       newtons  `json:"zero_newtons"`
	Tare       newtons  `json:"tare_newtons"`
	demand
	Job   string `json:"job,omitempty"`
	Label string `json:"label,omitempty"`
}

type pullEnded struct {
	Pull      int64    `json:"pull"`
	StartedAt stamp    `json:"started_at"`
	EndedAt   *stamp   `json:"ended_at"`
	Peak      *newtons `json:"peak_newtons"`
	PeakAt    *stamp   `json:"peak_at"`
	Highest   newtons  `json:"highest_newtons"`
	demand
	HoldSeconds    seconds       `json:"hold_seconds"`
	HoldFrom       *stamp        `json:"hold_from_at"`
	HoldTo         *stamp        `json:"hold_to_at"`
	Held           *newtons      `json:"held_newtons"` // the highest force held for the required time
	LongestGap     seconds       `json:"longest_gap_seconds"`
	PressureAtPeak *int64        `json:"pressure_at_peak_pascals"`
	PressureRatio  *percent      `json:"force_pressure_ratio_percent"` // of the gross peak and pressure x area
	ZeroBefore     *newtons      `json:"zero_before_newtons"`
	ZeroAfter      *newtons      `json:"zero_after_newtons"`
	ZeroShift      *newtons      `json:"zero_shift_newtons"`
	Zero           newtons       `json:"zero_newtons"`
	Tare           newtons       `json:"tare_newtons"`
	PeakBudget     *budget       `json:"peak_uncertainty"`
	HeldBudget     *budget       `json:"held_uncertainty"`
	Update         *seconds      `json:"indicator_update_seconds"`
	Verdict        peak.Verdict  `json:"verdict"`
	Reasons        []peak.Reason `json:"reasons"`
	Job            string        `json:"job,omitempty"`
	Label          string        `json:"label,omitempty"`
	Trace          *Trace        `json:"trace"`
}

type holdReached struct {
	Pull      int64   `json:"pull"`
	ReachedAt stamp   `json:"reached_at"`
	Hold      seconds `json:"hold_seconds"`
}

type offsetSet struct {
	At  stamp   `json:"set_at"`
	Old newtons `json:"old_newtons"`
	New newtons `json:"new_newtons"`
	By  string  `json:"by"`
}

type job struct {
	ID          string    `json:"job"`
	Item        string    `json:"item"`
	Description string    `json:"description"`
	Kind        string    `json:"kind"`
	WLL         *newtons  `json:"wll_newtons"`
	Length      *metres   `json:"length_metres"`
	Legs        int       `json:"legs"`
	Owner       string    `json:"owner"`
	Operator    string    `json:"operator"`
	Rule        string    `json:"rule"`
	Source      string    `json:"requirement_source"`
	Ambient     string    `json:"ambient,omitempty"`
	Planned     []planned `json:"planned"`
}

type planned struct {
	Label string `json:"label"`
	demand
}

type jobOpened struct {
	job
	By string `json:"by"`
}

type jobCancelled struct {
	Job string `json:"job"`
	Why string `json:"why"`
	By  string `json:"by"`
}

type pullRepeated struct {
	Job     string `json:"job"`
	Planned int    `json:"planned_pull"` // from 1
	Label   string `json:"label"`
	Why     string `json:"why"`
	By      string `json:"by"`
}

type pullAssigned struct {
	pullEnded
	Planned int    `json:"planned_pull"` // from 1
	By      string `json:"by"`
}

type attempt struct {
	pullEnded
	Planned int    `json:"planned_pull"` // from 1
	Why     string `json:"repeated_because"`
}

type testEnded struct {
	job
	Verdict  peak.Verdict  `json:"verdict"`
	Reasons  []peak.Reason `json:"reasons"`
	Pulls    []int64       `json:"pulls"`
	Attempts []attempt     `json:"attempts"`
	By       string        `json:"by"`
}

type itemInspected struct {
	Job       string `json:"job"`
	Item      string `json:"item"`
	Inspector string `json:"inspector"`
	Finding   string `json:"finding"` // accepted or rejected
	Examined  string `json:"examined"`
	Notes     string `json:"notes"`
	By        string `json:"by"`
}

type weighingStarted struct {
	Item string `json:"item"`
	By   string `json:"by"`
}

type weighingStopped struct {
	Lifts int64  `json:"lifts"`
	By    string `json:"by"`
}

type itemWeighed struct {
	Lift       int64   `json:"lift"`
	Item       string  `json:"item"`
	Gross      newtons `json:"gross_newtons"`
	Tare       newtons `json:"tare_newtons"`
	Net        newtons `json:"net_newtons"`
	Spread     newtons `json:"spread_newtons"`
	StableFrom stamp   `json:"stable_from_at"`
	StableFor  seconds `json:"stable_seconds"`
}

type instrumentLost struct {
	Instrument string `json:"instrument"`
	Why        string `json:"why"`
	Since      stamp  `json:"since_at"`
}

type instrumentFound struct {
	Instrument string `json:"instrument"`
	Since      stamp  `json:"lost_since_at"`
}

type daemonStarted struct {
	Version      string `json:"version"`
	ConfigDigest string `json:"config_digest"`
	CleanBefore  bool   `json:"clean_before"`
}

type daemonStopped struct {
	Clean bool   `json:"clean"`
	Why   string `json:"why"`
}

type journalSealed struct {
	Size       int64  `json:"size"`
	Root       string `json:"root"`
	Checkpoint string `json:"checkpoint"`
	Key        string `json:"key"`
	Why        string `json:"why"`
}

type commandRefused struct {
	Command string `json:"command"`
	Why     string `json:"why"`
}
