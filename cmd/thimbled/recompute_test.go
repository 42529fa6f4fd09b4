package main

import (
	"encoding/json"
	"flag"
	"runtime"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

var labPulls = flag.Int64("pulls", 150, "how many pulls the journal has that is judged again")

// auditAgain audits the lab's journal with all pulls judged again.
func (b *lab) auditAgain() *audited {
	b.t.Helper()
	a := auditFlags{again: recomputeFlags{wanted: true}}
	r, err := a.audit(b.dir, nil)
	b.must(err)
	return r
}

// TestPullsAreJudgedAgain makes a journal through the real loop, recorder, journal and core
// and judges every pull of it again. -pulls 10000 makes one of some years.
func TestPullsAreJudgedAgain(t *testing.T) {
	t.Parallel()
	b := newLab(t, "")
	began := time.Now()
	b.use(*labPulls)
	b.close()
	made := time.Since(began)
	began = time.Now()
	r := b.auditAgain()
	took := time.Since(began)
	again := r.again
	t.Logf("%d pulls, %d readings, %d tests: made in %v, audited and judged again in %v on %d cores: %.0f pulls/s, %.2g readings/s",
		again.pulls, again.rows, again.tests, made, took, runtime.GOMAXPROCS(0),
		float64(again.pulls)/took.Seconds(), float64(again.rows)/took.Seconds())
	for _, p := range r.problems() {
		t.Error(p.Error())
	}
	for _, n := range r.notes() {
		t.Log(n.File, n.Text)
	}
	if !r.sound() || again.pulls != again.there || int64(again.there) < *labPulls || len(again.unable) > 0 || again.tests < int(*labPulls)/20 {
		t.Errorf("sound %v: %d of %d pulls, %d tests, not judged %v", r.sound(), again.pulls, again.there, again.tests, again.unable)
	}
	seen := map[peak.Reason]bool{}
	kinds := map[string]int{}
	for rec, err := range journal.Records(b.dir) {
		b.must(err)
		kinds[rec.Type]++
		for _, reason := range recordedReasons(t, rec) {
			seen[reason] = true
		}
	}
	for _, want := range []peak.Reason{
		peak.SuddenLoss, peak.AboveLimit, peak.SingleReadingAboveLimit, peak.HoldNotReached, peak.GapInPull, peak.ZeroShiftBeyondLimit,
		peak.OutsideVerifiedRange, peak.VerificationOverdue, peak.ReadingNotTrusted, peak.ForcePressureDisagree, peak.ClockStep, peak.Interrupted,
	} {
		if !seen[want] {
			t.Errorf("no pull of the journal has the reason %s", want)
		}
	}
	for _, want := range []string{peak.TypePullAssigned, peak.TypePullRepeated, peak.TypeItemWeighed, peak.TypeForceVerified, peak.TypeTestEnded} {
		if kinds[want] == 0 {
			t.Errorf("the journal has no %s", want)
		}
	}
}

func recordedReasons(t *testing.T, r publish.Record) []peak.Reason {
	t.Helper()
	var data struct {
		Reasons []peak.Reason `json:"reasons"`
	}
	if err := json.Unmarshal(r.Data, &data); err != nil {
		t.Fatal(err)
	}
	return data.Reasons
}
