package certificate

import "thimbled/peak"

// outcome is what verdict and inspection come to together. Neither alone
// releases an item.
type outcome struct {
	Title    string // of the paper
	Released bool
	Status   string   // in a few large words
	Because  []string // in sentences
}

const (
	titleCertificate = "Proof-test certificate"
	titleReviewed    = "Proof-test certificate, after review"
	titleNotReleased = "Proof-test record – NOT RELEASED"
	titleNotPassed   = "Proof-test record – NOT PASSED"
)

// outcomeOf says what came of a test; explained says that its reasons are listed
// beside it.
func outcomeOf(verdict peak.Verdict, f finding, explained bool) outcome {
	o := outcome{}
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
		o.say("No inspection after the test is on record. Nobody has reviewed the result or accepted the item.")
	case f == notInspected:
		o.Status += " – inspection is due"
		o.say("No inspection after the test is on record. Nobody has accepted the item.")
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
