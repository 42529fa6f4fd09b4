package certificate

import (
	"strings"

	"thimbled/peak"
)

// outcome is what verdict and inspection come to together. Neither alone
// releases an item.
type outcome struct {
	Title    string // of the paper
	Released bool
	Status   string   // in a few large words
	Because  []string // in sentences
	since    string   // what an inspection must have followed
}

const (
	titleCertificate = "Proof-test certificate"
	titleReviewed    = "Proof-test certificate, after review"
	titleNotReleased = "Proof-test record – NOT RELEASED"
	titleNotPassed   = "Proof-test record – NOT PASSED"
)

// outcomeOf says what came of a test.
func outcomeOf(e *Evidence) outcome {
	if len(e.Corrections) == 0 {
		return judged(e.Test.Verdict, e.finding(), len(e.Test.Reasons) > 0, "test")
	}
	since := "test"
	if len(e.Inspections) > 0 {
		since = "correction"
	}
	worse := e.verdict() != e.Test.Verdict
	o := judged(e.verdict(), e.finding(), worse || len(e.Test.Reasons) > 0, since)
	o.Title = strings.Replace(o.Title, "Proof-test ", "Corrected proof-test ", 1)
	said := o.Because
	o.Because = []string{"Figures were corrected after they had been recorded; both stand below."}
	if worse {
		o.say("The test was recorded as " + verdictWord(e.Test.Verdict) + "; by the corrected figures it " + correctedVerdicts[e.verdict()] + ".")
	}
	o.Because = append(o.Because, said...)
	return o
}

// correctedVerdicts end a sentence about a test that came out worse.
var correctedVerdicts = map[peak.Verdict]string{
	peak.Review: "needs review", peak.Incomplete: "is incomplete", peak.Void: "is void", peak.Exceeded: "exceeded the limit", peak.Failed: "failed",
}

// judged is the outcome of a verdict and a finding; explained says that reasons are
// listed beside it, since what an inspection must have followed.
func judged(verdict peak.Verdict, f finding, explained bool, since string) outcome {
	o := outcome{since: since}
	switch verdict {
	case peak.Pass, peak.Review:
		o.say(verdictSentences[verdict])
		o.inspected(verdict, f)
	default:
		if !explained && verdictSentences[verdict] != "" {
			o.say(verdictSentences[verdict])
		}
		o.notPassed(verdict, f)
	}
	return o
}

// inspected is the outcome where the load was reached and held: what the inspector
// found decides.
func (o *outcome) inspected(verdict peak.Verdict, f finding) {
	o.Title, o.Status = titleNotReleased, "NOT RELEASED"
	switch {
	case f == rejected:
		o.Status += " – rejected by the inspector"
		o.say("The inspector rejected the item after the test. It must not go into service.")
	case f == notInspected && verdict == peak.Review:
		o.Status += " – review and inspection are due"
		o.say("No inspection after the " + o.since + " is on record. Nobody has reviewed the result or accepted the item.")
	case f == notInspected:
		o.Status += " – inspection is due"
		o.say("No inspection after the " + o.since + " is on record. Nobody has accepted the item.")
	case verdict == peak.Review:
		o.Title, o.Released, o.Status = titleReviewed, true, "Reviewed and accepted by the inspector"
		o.say("The inspector, who answers for it, accepted the item in spite of the reasons below.")
	default:
		o.Title, o.Released, o.Status = titleCertificate, true, "Proof load held, item accepted by the inspector"
		o.say("After the test the inspector examined the item and accepted it.")
	}
}

func (o *outcome) notPassed(verdict peak.Verdict, f finding) {
	o.Title, o.Status = titleNotPassed, "NOT PASSED – "+verdictWord(verdict)
	switch f {
	case accepted:
		o.say("The inspector's finding is “accepted”. That does not turn this test into a pass.")
	case rejected:
		o.say("The inspector rejected the item after the test.")
	}
	o.say("This paper must not be used as a certificate of fitness.")
}

func (o *outcome) say(sentence string) { o.Because = append(o.Because, sentence) }
