package main_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// dayAtBench is a day at the bench for an operator with the page: a pull before any job, a
// long item in two pulls, a hold that sags, an overload, a sling of three legs with its
// master link, and a lift on the crane hook. The rests leave time to open the jobs.
const dayAtBench = `pull before-any-job
rest 60s; raise "102.5 kN" over 20s; hold 34s; release 20s
pull long-end-a
rest 100s; raise "102.5 kN" over 20s; hold 34s; release 20s
pull long-end-b
rest 60s; raise "102.5 kN" over 20s; hold 34s; release 20s
pull sagging
rest 100s; raise "101 kN" over 20s; sag 36s; release 20s
pull overload
rest 100s; raise "116 kN" over 23s; lower "103 kN" over 4s; hold 34s; release 20s
pull leg-1
rest 100s; raise "31 kN" over 15s; hold 20s; release 15s
pull leg-2
rest 60s; raise "31 kN" over 15s; hold 20s; release 15s
pull leg-3
rest 60s; raise "31 kN" over 15s; hold 20s; release 15s
pull master-link
rest 60s; raise "92 kN" over 20s; hold 20s; release 20s
pull lift
rest 100s; raise "42 kN" over 10s; hold 40s; release 15s
rest 3600s
`

// sceneTime is how long one scene may take; the longest has four pulls.
const sceneTime = 3 * time.Minute

// TestPageScenes plays the operator's other days on the page. On a machine too busy to
// read its instruments a pull has gaps and needs review; then the operator finishes the test.
func TestPageScenes(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	// The simulated cylinder, ten times as fast as life, creeps within a settling time.
	config, journal, _ := simulatedBench(t, dayAtBench, "\n[zero]\nmotion = \"1 kN\"\n")
	p := &pagedBench{config: config, journal: journal, web: webOf(t, config)}
	until(t, "the daemon to be healthy", func() bool { return healthy(p.web) })
	b.size(1280, 1000)
	b.open(p.url())
	b.untilText("#checks", "Load indicator: in order")
	b.write("#who", "A. Berg")
	b.click("#bench-work summary")
	b.insist(`form[data-ask="zero"]`, "Zero is")

	t.Log("a pull without a job is assigned to one afterwards, and its item rejected")
	p.untilPulls(t, 1)
	p.ask(t, b, "job.open", `{"item":"HL-1","required":"100 kN","limit":"112 kN","hold":"3 s","job":"late"}`)
	b.untilText(`#pulls details[data-pull="1"] summary`, "nassigned")
	b.click(`#pulls details[data-pull="1"] summary`)
	b.until("the pull to be offered", func() bool { return b.shown(`[data-key="assign-1"]`) })
	b.click(`[data-key="assign-1"]`)
	p.untilEnded(t, b, "late", "pass", "review")
	p.reject(t, b, "late")

	t.Log("an item of 12 m on the bench of 8 m is pulled twice, turned end for end")
	p.ask(t, b, "job.open", `{"item":"HL-2","required":"100 kN","limit":"112 kN","hold":"3 s","length":"12 m","job":"long"}`)
	b.untilText("#job", "end A")
	b.untilText("#job", "end B")
	p.untilEnded(t, b, "long", "pass", "review")
	if got := p.attempts(t, "long"); !slices.Equal(got, []string{"end A", "end B"}) {
		t.Errorf("the long item was pulled as %q", got)
	}

	t.Log("a hold that sags is incomplete; the operator finishes the test")
	p.ask(t, b, "job.open", `{"item":"HL-3","required":"100 kN","limit":"112 kN","hold":"3 s","job":"sag"}`)
	p.untilEnded(t, b, "sag", "incomplete")

	t.Log("an overload ends the test by itself")
	p.ask(t, b, "job.open", `{"item":"HL-4","required":"100 kN","limit":"112 kN","hold":"3 s","job":"over"}`)
	p.untilEnded(t, b, "over", "exceeded")

	t.Log("a sling of three legs is pulled leg by leg, then its master link")
	p.ask(t, b, "job.open", `{"item":"HL-5","required":"30 kN","hold":"1 s","length":"4 m","legs":3,"job":"legs"}`)
	p.untilEnded(t, b, "legs", "pass", "review")
	if got := p.attempts(t, "legs"); !slices.Equal(got, []string{"leg 1", "leg 2", "leg 3", "master link"}) {
		t.Errorf("the sling was pulled as %q", got)
	}

	t.Log("a lift is weighed with the rigging as tare")
	p.ask(t, b, "weigh.start", `{"item":"HL-6"}`)
	p.ask(t, b, "tare", `{"force":"2 kN"}`)
	b.untilText("#phase", "eigh")
	within(t, sceneTime, "the lift to be weighed", func() bool { return len(p.recordsOf(t, "thimbled.item.weighed")) == 1 })
	p.checkWeight(t)
	b.click("#weigh-work > summary")
	b.untilText("#weighings", "HL-6")
	p.ask(t, b, "weigh.stop", `{}`)
	if n := len(p.recordsOf(t, "thimbled.pull.ended")); n != 9 {
		t.Errorf("%d pulls on record, not 9: a weighing is no pull", n)
	}
}

// webOf returns the host and port of the page that a config names.
func webOf(t *testing.T, config string) string {
	t.Helper()
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "[http]\nlisten = \"")
	web, _, _ := strings.Cut(rest, "\"")
	return web
}

func (p *pagedBench) untilPulls(t *testing.T, n int) {
	t.Helper()
	within(t, sceneTime, fmt.Sprintf("%d pulls", n), func() bool { return len(p.recordsOf(t, "thimbled.pull.ended")) >= n })
}

// ask sends a request from within the page, as its forms do, until it is carried out:
// the daemon refuses while the bench is not in the state for it.
func (p *pagedBench) ask(t *testing.T, b *browser, command, body string) {
	t.Helper()
	with := strings.Replace(strings.Replace(body, "{", `{"by":"A. Berg",`, 1), ",}", "}", 1)
	within(t, sceneTime, command, func() bool {
		var status int
		b.await(`const done = arguments[arguments.length - 1];
			fetch("/ask/" + arguments[0], { method: "POST", headers: { "Content-Type": "application/json" }, body: arguments[1] })
				.then((r) => done(r.status));`, &status, command, with)
		return status == http.StatusOK
	})
}

// testEnd is what a test reads of a thimbled.test.ended event.
type testEnd struct {
	Job      string
	Verdict  string
	Attempts []struct{ Label string }
}

func (p *pagedBench) endOf(t *testing.T, job string) (testEnd, bool) {
	t.Helper()
	for _, r := range p.recordsOf(t, "thimbled.test.ended") {
		var e testEnd
		if err := json.Unmarshal(r.Data, &e); err != nil {
			t.Fatal(err)
		}
		if e.Job == job {
			return e, true
		}
	}
	return testEnd{}, false
}

// untilEnded waits for a test's end, which a person must ask for when its pulls were
// made and not all passed, and checks verdict and page.
func (p *pagedBench) untilEnded(t *testing.T, b *browser, job string, verdicts ...string) {
	t.Helper()
	var e testEnd
	within(t, sceneTime, "the test of job "+job+" to end", func() (ended bool) {
		if e, ended = p.endOf(t, job); ended {
			return true
		}
		if p.waitsForPerson(t) {
			p.ask(t, b, "job.finish", `{}`)
		}
		return false
	})
	if !slices.Contains(verdicts, e.Verdict) {
		t.Errorf("the test of job %s ended %s, not %v", job, e.Verdict, verdicts)
	}
	b.untilText("#tests", strings.ToUpper(e.Verdict[:1])+e.Verdict[1:])
}

// waitsForPerson says that a job is open whose planned pulls were all made. A busy daemon
// may not answer in time; then it is asked again.
func (p *pagedBench) waitsForPerson(t *testing.T) bool {
	t.Helper()
	status, out, _ := call(t, "status", "--config", p.config, "--json")
	if status != 0 {
		return false
	}
	var s struct {
		Job *struct {
			Next *int `json:"next_planned_pull"`
		} `json:"open_job"`
	}
	if err := json.Unmarshal([]byte(out), &s); err != nil {
		t.Fatalf("%v in %q", err, out)
	}
	return s.Job != nil && s.Job.Next == nil
}

// shown says whether an element can be seen.
func (b *browser) shown(selector string) (is bool) {
	b.t.Helper()
	b.run(`const e = document.querySelector(arguments[0]); return e !== null && e.checkVisibility();`, &is, selector)
	return is
}

func (p *pagedBench) attempts(t *testing.T, job string) []string {
	t.Helper()
	e, _ := p.endOf(t, job)
	var out []string
	for _, a := range e.Attempts {
		out = append(out, a.Label)
	}
	return out
}

// reject records a rejected inspection on the page; the certificate says so.
func (p *pagedBench) reject(t *testing.T, b *browser, job string) {
	t.Helper()
	b.click("#tests button")
	b.write("#inspect-form [name=inspector]", "B. Ek")
	b.write("#inspect-form [name=examined]", "wires")
	b.write("#inspect-form [name=notes]", "a broken wire at the ferrule")
	b.click("#inspect-form [value=rejected]")
	b.insist("#inspect-form", "rejected by B. Ek")
	b.untilText("#tests", "rejected by B. Ek")
	status, out, errs := call(t, "certificate", p.journal, job)
	if status != 0 || !strings.Contains(strings.ToLower(out), "rejected") || !strings.Contains(out, "a broken wire at the ferrule") {
		t.Errorf("the certificate of a rejected item: status %d, %s%s", status, out, errs)
	}
}

func (p *pagedBench) checkWeight(t *testing.T) {
	t.Helper()
	var w struct {
		Item  string
		Gross float64 `json:"gross_newtons"`
		Tare  float64 `json:"tare_newtons"`
		Net   float64 `json:"net_newtons"`
	}
	if err := json.Unmarshal(p.recordsOf(t, "thimbled.item.weighed")[0].Data, &w); err != nil {
		t.Fatal(err)
	}
	if w.Item != "HL-6" || w.Tare != 2000 || w.Net < 39000 || w.Net > 41000 || w.Gross < 41000 || w.Gross > 43000 {
		t.Errorf("weighed %+v", w)
	}
}
