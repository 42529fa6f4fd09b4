package search_test

import (
	"fmt"
	"iter"
	"math/rand/v2"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// years is the work of a loft over so many jobs, made up from a seed: one and two
// planned pulls, repeats, pulls without a job that are assigned later or never,
// cancelled jobs, and inspections, some of them twice.
func years(seed uint64, jobs int) iter.Seq[publish.Record] {
	return func(yield func(publish.Record) bool) {
		l := loft{chance: rand.New(rand.NewPCG(seed, 1)), yield: yield}
		for n := 0; n < jobs && !l.full; n++ {
			l.at += time.Duration(5+l.chance.IntN(60)) * time.Minute
			l.day(n)
		}
	}
}

// loft makes up the records of years.
type loft struct {
	clerk
	chance *rand.Rand
	at     time.Duration
	pull   int64
	loose  []peak.PullEnded // pulls without a job
	yield  func(publish.Record) bool
	full   bool
}

func (l *loft) put(e peak.Event) {
	r := l.write(e)
	l.full = l.full || !l.yield(r)
}

func (l *loft) one(in int) bool { return l.chance.IntN(in) == 0 }

// day is what happens around one job.
func (l *loft) day(n int) {
	if l.one(20) {
		l.loose = append(l.loose, l.make("", demand))
	}
	j := l.job(n)
	l.put(peak.JobOpened{At: l.at, Job: j, By: j.Operator})
	var made []peak.Attempt
	for i := range j.Planned {
		made = append(made, l.attempt(j, i)...)
	}
	if l.one(30) {
		l.put(peak.JobCancelled{At: l.at, Job: j.ID, Why: "wrong item", By: j.Operator})
		return
	}
	l.at += time.Second
	last := made[len(made)-1].Ended
	l.put(peak.TestEnded{At: l.at, Job: j, Verdict: last.Verdict, Reasons: last.Reasons, Attempts: made})
	for range l.chance.IntN(3) {
		l.at += time.Minute
		l.put(inspectionOf(j, l.at, []string{"B. Ek", "C. Dahl"}[l.chance.IntN(2)], !l.one(10)))
	}
}

func (l *loft) job(n int) peak.Job {
	j := jobOf(fmt.Sprintf("j-%06d", n), fmt.Sprintf("HL-%05d", l.chance.IntN(1+n*2/3)))
	j.Description = fmt.Sprintf("wire rope sling, %d m, body %d", 1+l.chance.IntN(20), n)
	j.Owner = fmt.Sprintf("berth %d", l.chance.IntN(200))
	if l.one(3) {
		j.Planned = []peak.Planned{{Label: "end A", Requirement: demand}, {Label: "end B", Requirement: demand}}
	}
	return j
}

// attempt is what comes of a planned pull.
func (l *loft) attempt(j peak.Job, planned int) []peak.Attempt {
	if len(l.loose) > 0 && l.one(10) {
		p := l.loose[0]
		l.loose = l.loose[1:]
		p.Job, p.Label, p.Requirement, p.Verdict = j.ID, j.Planned[planned].Label, peak.Known(demand), peak.Pass
		l.put(peak.PullAssigned{At: l.at, Planned: planned, Label: p.Label, Ended: p, By: j.Operator})
		return []peak.Attempt{{Planned: planned, Ended: p}}
	}
	made := []peak.Attempt{{Planned: planned, Ended: l.make(j.ID, j.Planned[planned].Requirement)}}
	if l.one(15) {
		why := "the hook slipped"
		l.put(peak.PullRepeated{At: l.at, Job: j.ID, Planned: planned, Label: j.Planned[planned].Label, Why: why, By: j.Operator})
		made = append(made, peak.Attempt{Planned: planned, Ended: l.make(j.ID, j.Planned[planned].Requirement), Why: why})
	}
	return made
}

var outcomes = []struct {
	verdict peak.Verdict
	reasons []peak.Reason
}{
	{peak.Pass, nil}, {peak.Pass, nil}, {peak.Pass, nil}, {peak.Incomplete, []peak.Reason{peak.HoldNotReached}},
	{peak.Exceeded, []peak.Reason{peak.AboveLimit}}, {peak.Review, []peak.Reason{peak.GapInPull, peak.ClockStep}},
	{peak.Void, []peak.Reason{peak.ZeroShiftBeyondLimit}}, {peak.Failed, []peak.Reason{peak.SuddenLoss, peak.HoldNotReached}},
}

// make makes a pull.
func (l *loft) make(job string, r peak.Requirement) peak.PullEnded {
	l.pull++
	l.at += time.Minute
	o := outcomes[l.chance.IntN(len(outcomes))]
	p := pullOf(l.pull, l.at, job, o.verdict, o.reasons...)
	if job == "" {
		p.Verdict, p.Reasons = peak.Unassigned, nil
	}
	p.Peak.Value += peak.Force(l.chance.IntN(12_000_000))
	l.at = p.DecidedAt
	l.put(startOf(p))
	if p.Verdict == peak.Pass {
		l.put(peak.HoldReached{Pull: p.Pull, ReachedAt: p.StartedAt + 5*time.Second, Hold: r.Hold})
	}
	l.put(p)
	return p
}
