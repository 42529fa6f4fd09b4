package peak

// idle says why no job can be changed now; empty when it can.
func (m *Machine) idle() string {
	if m.pulling {
		return "a pull is in hand; wait until it has ended"
	}
	return ""
}

// withJob says why the open job cannot be changed now; empty when it can.
func (m *Machine) withJob() string {
	if !m.test.open {
		return "no job is open"
	}
	return m.idle()
}

func (m *Machine) openJob(c OpenJob) {
	if why := m.openWhy(c.Job); why != "" {
		m.refuse(c.At, "job.open", why)
		return
	}
	m.test = newTest(c.Job)
	m.emit(JobOpened{At: c.At, Job: c.Job, By: c.By})
}

func (m *Machine) openWhy(j Job) string {
	switch {
	case m.test.open:
		return "job " + m.test.job.ID + " is open; finish or cancel it first"
	case m.weigh.on:
		return "weighing is on; stop it first: a weighing is no proof test"
	case m.session.on:
		return "a verification is in hand; finish or cancel it first"
	case j.ID == "":
		return "a job needs an id"
	case j.Item == "":
		return "a job needs the item's tag"
	case len(j.Planned) == 0:
		return "a job needs at least one planned pull"
	}
	for _, p := range j.Planned {
		if err := m.set.Check(p.Requirement); err != nil {
			return err.Error()
		}
	}
	return m.idle()
}

func (m *Machine) cancelJob(c CancelJob) {
	why := m.withJob()
	if why == "" && c.Why == "" {
		why = "say why the job is cancelled"
	}
	if why != "" {
		m.refuse(c.At, "job.cancel", why)
		return
	}
	m.emit(JobCancelled{At: c.At, Job: m.test.job.ID, Why: c.Why, By: c.By})
	m.test = test{}
}

func (m *Machine) finishJob(c FinishJob) {
	why := m.withJob()
	if why == "" && len(m.test.made) == 0 {
		why = "no pull was made; cancel the job instead"
	}
	if why != "" {
		m.refuse(c.At, "job.finish", why)
		return
	}
	m.endTest(TestEnded{At: c.At, By: c.By})
}

func (m *Machine) repeatPull(c RepeatPull) {
	why := m.withJob()
	planned, made := m.test.lastMade()
	switch {
	case why != "":
	case !made:
		why = "no pull was made yet"
	case c.Why == "":
		why = "say why the pull is repeated"
	}
	if why != "" {
		m.refuse(c.At, "job.repeat", why)
		return
	}
	m.test.repeat(planned)
	m.why = c.Why
	m.emit(PullRepeated{
		At: c.At, Job: m.test.job.ID, Planned: planned, Label: m.test.job.Planned[planned].Label, Why: c.Why, By: c.By,
	})
}

func (m *Machine) assignPull(c AssignPull) {
	why := m.withJob()
	next, wanted := m.test.next()
	if why == "" && !wanted {
		why = "the job needs no further pull; ask to repeat one, or finish it"
	}
	if why != "" {
		m.refuse(c.At, "job.assign", why)
		return
	}
	c.Ended.Job = m.test.job.ID
	m.emit(PullAssigned{At: c.At, Planned: m.test.todo[0], Label: next.Label, Ended: c.Ended, By: c.By})
	m.count(c.Ended, TestEnded{At: c.At})
}

func (m *Machine) inspect(c Inspect) {
	f := c.Finding
	f.At = c.At
	if f.Job == "" || f.Inspector == "" || f.Examined == "" {
		m.refuse(c.At, "inspect", "an inspection needs the job, the inspector's name and what was looked at")
		return
	}
	m.emit(f)
}

// count adds a pull to the test in hand and ends the test if it was the last.
func (m *Machine) count(e PullEnded, end TestEnded) {
	why := m.why
	m.why = ""
	if m.test.add(e, why) {
		m.endTest(end)
	}
}

func (m *Machine) endTest(e TestEnded) {
	e.Job, e.Verdict, e.Reasons, e.Attempts = m.test.job, m.test.verdict(), m.test.reasons(), m.test.made
	m.test = test{}
	m.emit(e)
}
