package peak

import "slices"

// test is the job in hand and what its pulls came to.
type test struct {
	open    bool
	job     Job
	pulls   []int64
	verdict Verdict
	reasons []Reason
}

// add counts a pull and says whether it was the last one planned.
func (t *test) add(e PullEnded) (done bool) {
	if len(t.pulls) == 0 {
		t.verdict = e.Verdict
	}
	t.pulls = append(t.pulls, e.Pull)
	t.verdict = Worst(t.verdict, e.Verdict)
	for _, r := range e.Reasons {
		if !slices.Contains(t.reasons, r) {
			t.reasons = append(t.reasons, r)
		}
	}
	return len(t.pulls) >= t.job.Planned
}

func (t *test) ended(e PullEnded) TestEnded {
	return TestEnded{At: e.DecidedAt, Job: t.job, Verdict: t.verdict, Reasons: t.reasons, Pulls: t.pulls}
}

func (t *test) clone() test {
	c := *t
	c.pulls = slices.Clone(t.pulls)
	c.reasons = slices.Clone(t.reasons)
	return c
}
