package journal

import (
	"encoding/json"
	"fmt"
	"slices"

	"thimbled/peak"
)

// Opened says how things stood when a journal was opened, so that a daemon can
// go on from there.
type Opened struct {
	Last     uint64 // the number of the last record, 0 if there is none
	LastHash string // of its line; 64 zeros if there is none
	// Cut is what was cut off behind the last sound record; nil if nothing.
	Cut *Cut
	// Clean says that the last record, or the last one before what seals it, is a
	// daemon.stopped that calls itself clean, or that there is no record.
	Clean bool
	// LastPull is the number of the last pull, 0 before the first.
	LastPull int64
	// InHand is the pull that was started and not ended; nil if none.
	InHand *PullInHand
	// OpenJob is the number of the record that opened the job in hand, whose
	// pulls come after it; 0 if no job is open.
	OpenJob uint64
	// Weighing is the number of the record that started the weighing that is on;
	// 0 if none is.
	Weighing uint64
	// Session is the number of the record that started the verification in hand;
	// 0 if none is.
	Session uint64
	// Verified are the numbers of the records of verifications, Parameters those of
	// changed parameters.
	Verified, Parameters []uint64
	// Noted is the last record that was not read back because an earlier check
	// of it is on note; see [Writer.Check].
	Noted uint64
	// Tally is over all records; nil if Options asked for none.
	Tally Tally
	// Zero and Tare are the offsets last recorded; unknown if never.
	Zero, Tare peak.Maybe[peak.Force]
}

// PullInHand is a pull that has begun and not ended.
type PullInHand struct {
	Record uint64          // the number of its pull.started, which also names its trace
	Pull   int64           // the number of the pull
	Data   json.RawMessage // of its pull.started
}

// past keeps the last records of the kinds that say how things stand.
type past struct {
	Last, Pull, Zero, Tare kept
	Job                    uint64 // the number of the last job.opened that nothing ended
	Weighing               uint64 // the same of weighing.started
	Session                uint64 // the same of verification.started
	Verified, Parameters   []uint64
}

// kept is what is kept of one record; its number is 0 if there is none.
type kept struct {
	Number uint64
	Kind   string
	Data   []byte
}

func (k *kept) keep(e *entry, kind string) {
	k.Number, k.Kind, k.Data = e.number, kind, append(k.Data[:0], e.data...)
}

// keep keeps an entry if it may turn out to be the last of its kind.
func (p *past) keep(e *entry) {
	if string(e.kind) != peak.TypeJournalSealed { // the seal of what a daemon stopped with comes after it
		p.Last.Kind = ""
	}
	switch string(e.kind) {
	case peak.TypePullStarted:
		p.Pull.keep(e, peak.TypePullStarted)
	case peak.TypePullEnded:
		p.Pull.keep(e, peak.TypePullEnded)
	case peak.TypeZeroSet:
		p.Zero.keep(e, peak.TypeZeroSet)
	case peak.TypeTareSet:
		p.Tare.keep(e, peak.TypeTareSet)
	case peak.TypeJobOpened:
		p.Job = e.number
	case peak.TypeTestEnded, peak.TypeJobCancelled:
		p.Job = 0
	case peak.TypeWeighingStarted:
		p.Weighing = e.number
	case peak.TypeWeighingStopped:
		p.Weighing = 0
	case peak.TypeDaemonStopped:
		p.Last.keep(e, peak.TypeDaemonStopped)
	default:
		p.keepVerification(e)
	}
	p.Last.Number = e.number
}

// keepVerification keeps where the records are that readings are judged by.
func (p *past) keepVerification(e *entry) {
	switch string(e.kind) {
	case peak.TypeVerificationStarted:
		p.Session = e.number
	case peak.TypeVerificationCancelled:
		p.Session = 0
	case peak.TypeForceVerified:
		p.Session = 0
		p.Verified = append(p.Verified, e.number)
	case peak.TypeParametersChanged:
		p.Parameters = append(p.Parameters, e.number)
	}
}

// standing is what the data of the kept kinds may say.
type standing struct {
	Pull  int64       `json:"pull"`
	Zero  json.Number `json:"zero_newtons"`
	Tare  json.Number `json:"tare_newtons"`
	New   json.Number `json:"new_newtons"`
	Clean bool        `json:"clean"`
}

func (k *kept) decode() (s standing, err error) {
	if k.Kind == "" {
		return s, nil
	}
	if err := json.Unmarshal(k.Data, &s); err != nil {
		return s, fmt.Errorf("read record %d, a %s: %w", k.Number, k.Kind, err)
	}
	return s, nil
}

// opened tells what the kept records say.
func (p *past) opened() (o Opened, err error) {
	var s [4]standing
	for i, k := range []*kept{&p.Last, &p.Pull, &p.Zero, &p.Tare} {
		if s[i], err = k.decode(); err != nil {
			return o, err
		}
	}
	last, pull, zero, tare := s[0], s[1], s[2], s[3]
	o.Clean = p.Last.Number == 0 || p.Last.Kind != "" && last.Clean
	o.LastPull, o.OpenJob, o.Weighing = pull.Pull, p.Job, p.Weighing
	o.Session, o.Verified, o.Parameters = p.Session, p.Verified, p.Parameters
	if p.Pull.Kind == peak.TypePullStarted {
		o.InHand = &PullInHand{Record: p.Pull.Number, Pull: pull.Pull, Data: slices.Clone(p.Pull.Data)}
	}
	if o.Zero, err = p.offset(p.Zero, zero.New, pull.Zero); err != nil {
		return o, err
	}
	o.Tare, err = p.offset(p.Tare, tare.New, pull.Tare)
	return o, err
}

// offset returns the later of what was set and what a pull was made with.
func (p *past) offset(set kept, value, ofPull json.Number) (peak.Maybe[peak.Force], error) {
	number := set.Number
	if p.Pull.Number > number && ofPull != "" {
		number, value = p.Pull.Number, ofPull
	}
	if value == "" {
		return peak.Maybe[peak.Force]{}, nil
	}
	f, err := parseDecimal([]byte(value), forcePlaces)
	if err != nil {
		return peak.Maybe[peak.Force]{}, fmt.Errorf("read record %d: the offset %s %w", number, value, err)
	}
	return peak.Known(peak.Force(f)), nil
}
