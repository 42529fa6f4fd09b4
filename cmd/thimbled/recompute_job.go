package main

import (
	"encoding/json"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// openTest is the job in hand with what counts for it, in order.
type openTest struct {
	job     peak.Maybe[peak.JobOpened]
	counted []counted
}

// counted is an event of a job. The figures of a pull are those that its trace gives.
type counted struct {
	event  peak.Event
	result *outcome // of a pull; nil for anything else
	// set is what the clock was set by since, as far as the times of the pull follow it:
	// a daemon that is started anew takes them as they are recorded.
	set time.Duration
}

func (t *openTest) follow(e peak.Event) {
	switch e := e.(type) {
	case peak.JobOpened:
		*t = openTest{job: peak.Known(e)}
	case peak.JobCancelled:
		*t = openTest{}
	case peak.PullRepeated:
		t.counted = append(t.counted, counted{event: e})
	}
}

// count takes a pull that may be one of the job.
func (t *openTest) count(e peak.Event, job string, result *outcome) {
	if t.job.Known && job == t.job.Value.Job.ID {
		t.counted = append(t.counted, counted{event: e, result: result})
	}
}

// planned is a planned pull of the job.
func (t *openTest) planned(i int) (peak.Planned, bool) {
	if !t.job.Known || i < 0 || i >= len(t.job.Value.Job.Planned) {
		return peak.Planned{}, false
	}
	return t.job.Value.Job.Planned[i], true
}

// followClock follows what the times of the pulls follow.
func (t *openTest) followClock(e *entry) error {
	switch e.Type {
	case peak.TypeDaemonStarted:
		for i := range t.counted {
			t.counted[i].set = 0
		}
	case peak.TypeClockStepped:
		var data struct {
			By json.Number `json:"step_seconds"`
		}
		if err := json.Unmarshal(e.Data, &data); err != nil {
			return err
		}
		by, err := peak.ParseDuration(data.By.String() + " s")
		if err != nil {
			return err
		}
		for i := range t.counted {
			t.counted[i].set += by
		}
	}
	return nil
}

// events are the events of the job with the pulls as they come to now.
func (t *openTest) events() []peak.Event {
	out := []peak.Event{t.job.Value}
	for _, c := range t.counted {
		e := c.event
		if c.result != nil {
			<-c.result.done
			ended := moved(c.result.ended, c.set)
			if a, assigned := e.(peak.PullAssigned); assigned {
				a.Ended = ended
				e = a
			} else {
				e = ended
			}
		}
		out = append(out, e)
	}
	return out
}

// testEnded checks the result of a test: what its pulls come to, by the core.
func (r *recomputing) testEnded(e *entry, x peak.TestEnded, traces publish.Traces) {
	r.ownTraces(e, traces)
	t := r.test
	r.test = openTest{}
	if !t.job.Known || t.job.Value.Job.ID != x.Job.ID {
		r.unable("the job of its test is not on record")
		return
	}
	r.work <- func() {
		var start peak.Start
		for _, made := range t.events() {
			start.Follow(made)
		}
		for _, again := range peak.New(peak.Settings{}, start).Step(peak.FinishJob{At: e.at(), By: x.By}) {
			if _, ok := again.(peak.TestEnded); !ok {
				r.problem(e, "no pull of the job is on record")
				continue
			}
			r.compare(e, 0, again, traces)
			r.mu.Lock()
			r.found.tests++
			r.mu.Unlock()
		}
	}
}
