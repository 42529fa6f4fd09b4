package peak

import "slices"

// test is the job in hand and what its pulls came to.
type test struct {
	open bool
	job  Job
	todo []int // which planned pulls are to be made, in order
	made []Attempt
}

// Attempt is one pull that was made for a planned one.
type Attempt struct {
	Planned int // index into the job's planned pulls
	Ended   PullEnded
	// Why is the reason given for repeating; empty for the first attempt.
	Why string
}

func newTest(j Job) test {
	t := test{open: true, job: j, todo: make([]int, len(j.Planned))}
	for i := range t.todo {
		t.todo[i] = i
	}
	return t
}

// next returns the planned pull that the next pull is.
func (t *test) next() (Planned, bool) {
	if !t.open || len(t.todo) == 0 {
		return Planned{}, false
	}
	return t.job.Planned[t.todo[0]], true
}

// add counts a pull as an attempt at the next planned one and says whether the
// test is over: all planned pulls have passed, or one did what no repetition
// can mend. Anything else waits for a person to repeat a pull or to finish.
func (t *test) add(e PullEnded, why string) (over bool) {
	t.made = append(t.made, Attempt{Planned: t.todo[0], Ended: e, Why: why})
	t.todo = t.todo[1:]
	verdict := t.verdict()
	return beyondRepair(e.Verdict) || len(t.todo) == 0 && verdict == Pass
}

func beyondRepair(v Verdict) bool { return v == Failed || v == Exceeded }

// verdict is the worst of the planned pulls, each taken at its last attempt, and of
// every attempt that no repetition can mend. A planned pull that was not made is
// incomplete.
func (t *test) verdict() Verdict {
	worst := Pass
	for i := range t.job.Planned {
		last := Incomplete
		for _, a := range t.made {
			if a.Planned == i {
				last = a.Ended.Verdict
			}
		}
		worst = Worst(worst, last)
	}
	for _, a := range t.made {
		if beyondRepair(a.Ended.Verdict) {
			worst = Worst(worst, a.Ended.Verdict)
		}
	}
	return worst
}

// reasons are those of all attempts that count.
func (t *test) reasons() []Reason {
	var out []Reason
	for k, a := range t.made {
		replaced := slices.ContainsFunc(t.made[k+1:], func(b Attempt) bool { return b.Planned == a.Planned })
		if replaced && !beyondRepair(a.Ended.Verdict) {
			continue
		}
		for _, r := range a.Ended.Reasons {
			if !slices.Contains(out, r) {
				out = append(out, r)
			}
		}
	}
	return out
}

// repeat puts a planned pull that was made before first in line again.
func (t *test) repeat(planned int) { t.todo = slices.Insert(slices.Clone(t.todo), 0, planned) }

// lastMade is the planned pull of the last attempt.
func (t *test) lastMade() (planned int, ok bool) {
	if len(t.made) == 0 {
		return 0, false
	}
	return t.made[len(t.made)-1].Planned, true
}

func (t *test) clone() test {
	c := *t
	c.todo = slices.Clone(t.todo)
	c.made = slices.Clone(t.made)
	return c
}
