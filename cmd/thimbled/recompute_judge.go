package main

import (
	"fmt"
	"math"
	"os"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// sinceEpoch lets the times of recorded events count from the Unix epoch, so that those
// of different runs of the daemon can be compared.
var sinceEpoch = publish.Clock{Epoch: time.Unix(0, 0)}

// judgedBy is what pulls are judged by beside their readings. Moments count from the Unix
// epoch.
type judgedBy struct {
	settings peak.Settings
	verified []peak.Verification
	constant peak.Maybe[int64]
}

// evidence is what is on record of one pull, so that it can be judged again from its
// trace.
type evidence struct {
	*judgedBy
	started peak.PullStarted
	at      time.Duration // when it started, by the clock of its end
	trace   string        // the file
	files   journal.FS    // where it is; nil: the operating system's
	doubts  []peak.Reason // what spoke against the pull and is not in its trace
	scale   *rescaling    // nil: forces are those that were recorded
}

// rejudged is what became of a pull by its trace.
type rejudged struct {
	started peak.PullStarted
	reached peak.Maybe[peak.HoldReached]
	ended   peak.PullEnded
	rows    int64
}

// judge runs the core over the trace. All times of the answer count from the Unix epoch.
func (v *evidence) judge() (rejudged, error) {
	j, err := v.run(judgement{})
	if err != nil {
		return rejudged{}, err
	}
	before := v.started.ZeroBefore
	if j.found && before.Known && j.out.started.ZeroBefore != before {
		// The trace may begin later than the zero before was seen. If it shows rest
		// nevertheless, what it shows counts.
		given, err := v.run(judgement{given: before, from: j.restFrom})
		if err != nil {
			return rejudged{}, err
		}
		if !given.rested {
			j = given
		}
	}
	return v.placed(j), nil
}

// judgement is the core on its way over a trace that may show other pulls before the one
// that is judged: it is the last.
type judgement struct {
	given peak.Maybe[peak.Force] // the zero before
	from  time.Duration          // what came earlier is masked

	machine  *peak.Machine
	settings peak.Settings
	doubts   []peak.Reason

	now    rejudged // the pull in hand
	out    rejudged // the pull that ended last
	found  bool     // there was one
	latest bool     // it ended with the last reading, as traces do
	rows   int64
	last   time.Duration
	// restFrom is when the pull before the last one ended.
	restFrom time.Duration
	rested   bool // the trace shows rest before the pull
	settled  peak.Maybe[time.Duration]
	low      bool // the last reading was at rest
}

// run returns a judgement of the whole trace.
func (v *evidence) run(j judgement) (*judgement, error) {
	set := v.settings
	set.Standing = v.started.Requirement
	set.Zero.TrackWithin = 0 // the zero of a pull does not move
	j.settings, j.doubts = set, v.doubts
	j.machine = peak.New(set, peak.Start{
		LastPull: v.started.Pull - 1, Zero: v.started.Zero, Tare: v.started.Tare, ZeroBefore: j.given,
		Verified: v.counting(), Constant: v.constant,
	})
	if err := v.read(j.see); err != nil {
		return nil, fmt.Errorf("judge pull %d: %w", v.started.Pull, err)
	}
	if !j.latest {
		j.keep(j.machine.Stop())
	}
	return &j, nil
}

// counting are the verifications as they stood when the pull began, whatever time the
// trace gives that: overdue ever since, or never.
func (v *evidence) counting() []peak.Verification {
	out := make([]peak.Verification, len(v.verified))
	for i, x := range v.verified {
		overdue := v.at > x.Until
		x.On, x.Until = -1, math.MaxInt64
		if overdue {
			x.Until = -1
		}
		out[i] = x
	}
	return out
}

// read gives the readings of the trace, one after the other. A pull of which a crash left
// no trace has none.
func (v *evidence) read(see func(*peak.Reading)) error {
	return v.readRaw(func(x *peak.Reading, raw float64) {
		if v.scale != nil {
			v.scale.apply(x, raw)
		}
		see(x)
	})
}

// readRaw gives them as they were recorded, with their raw values.
func (v *evidence) readRaw(see func(x *peak.Reading, raw float64)) error {
	if v.trace == "" {
		return nil
	}
	files := v.files
	if files == nil {
		files = journal.OS
	}
	f, err := files.OpenFile(v.trace, os.O_RDONLY, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	t, err := journal.NewTraceReader(f)
	if err != nil {
		return err
	}
	return eachRow(t, func(x *peak.Reading, raw float64) error {
		see(x, raw)
		return nil
	})
}

func (j *judgement) see(r *peak.Reading) {
	j.rows++
	j.last = r.At
	x := *r
	if x.At < j.from {
		x.Quality = peak.NotReady // its pressure still counts
	}
	j.latest = false
	j.keep(j.machine.Step(&x))
	if j.given.Known && !j.rested && x.Quality == peak.Good {
		j.seeRest(&x)
	}
}

// seeRest follows whether the trace shows rest before the pull, after the pull before has
// surely ended.
func (j *judgement) seeRest(r *peak.Reading) {
	if !j.settled.Known {
		j.settled = peak.Known(r.At + j.settings.Capture.EndAfter + j.settings.Zero.Settle)
	}
	s := j.machine.State()
	low := !s.InPull && s.Stable && s.Net.Known && s.Net.Value <= j.settings.Capture.EndBelow
	j.rested = low && j.low && r.At >= j.settled.Value
	j.low = low
}

func (j *judgement) keep(events []peak.Event) {
	began := false
	for _, e := range events {
		switch e := e.(type) {
		case peak.PullStarted:
			j.now, began = rejudged{started: e}, true
		case peak.HoldReached:
			j.now.reached = peak.Known(e)
		case peak.PullEnded:
			if j.found {
				j.restFrom = j.out.ended.EndedAt.Value
			}
			j.now.ended = e
			j.out, j.found, j.latest = j.now, true, true
		}
	}
	if !began {
		return
	}
	for _, reason := range j.doubts {
		j.machine.Step(peak.Doubt{At: j.last, Reason: reason})
	}
}

// placed moves the outcome to where the pull was. A trace too short to show its start
// leaves only that it was interrupted.
func (v *evidence) placed(j *judgement) rejudged {
	out, s := j.out, v.started
	if !j.found {
		out = rejudged{started: s, ended: v.unseen()}
	}
	out.rows = j.rows
	by := v.at - out.ended.StartedAt
	out.ended = moved(out.ended, by)
	out.ended.Pull, out.ended.Job, out.ended.Label = s.Pull, s.Job, s.Label
	out.started.Pull, out.started.StartedAt, out.started.Job, out.started.Label = s.Pull, s.StartedAt, s.Job, s.Label
	if out.reached.Known {
		out.reached.Value.Pull = s.Pull
		out.reached.Value.ReachedAt += by
	}
	return out
}

// unseen is what becomes of a pull that its trace does not show.
func (v *evidence) unseen() peak.PullEnded {
	s := v.started
	e := peak.PullEnded{
		Pull: s.Pull, StartedAt: v.at, DecidedAt: v.at, Requirement: s.Requirement,
		Verdict: peak.Unassigned, Reasons: []peak.Reason{peak.Interrupted}, ZeroBefore: s.ZeroBefore, Zero: s.Zero, Tare: s.Tare,
	}
	if s.Requirement.Known {
		e.Verdict, e.Reasons = peak.Incomplete, []peak.Reason{peak.HoldNotReached, peak.Interrupted}
	}
	return e
}

// moved returns what a pull came to with its times in another count.
func moved(e peak.PullEnded, by time.Duration) peak.PullEnded {
	e.StartedAt += by
	e.DecidedAt += by
	e.PeakAt += by
	for _, at := range []*peak.Maybe[time.Duration]{&e.EndedAt, &e.Hold.From, &e.Hold.To} {
		if at.Known {
			at.Value += by
		}
	}
	return e
}

// outside are the reasons that no trace shows.
func outside(reasons []peak.Reason) []peak.Reason {
	var out []peak.Reason
	for _, r := range reasons {
		if r == peak.ClockStep || r == peak.ConstantChanged {
			out = append(out, r)
		}
	}
	return out
}
