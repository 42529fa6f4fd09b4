package peak

import "slices"

// Verdict is the judgement of a pull or a test.
type Verdict string

// The verdicts. Unassigned is a pull that nothing was required of.
const (
	Pass       Verdict = "pass"
	Review     Verdict = "review"
	Incomplete Verdict = "incomplete"
	Void       Verdict = "void"
	Exceeded   Verdict = "exceeded"
	Failed     Verdict = "failed"
	Unassigned Verdict = "unassigned"
)

// Reason is one cause that speaks against a pull.
type Reason string

// The closed set of reasons.
const (
	SuddenLoss              Reason = "sudden-loss"
	AboveLimit              Reason = "above-limit"
	SingleReadingAboveLimit Reason = "single-reading-above-limit"
	HoldNotReached          Reason = "hold-not-reached"
	GapInPull               Reason = "gap-in-pull"
	ZeroShiftBeyondLimit    Reason = "zero-shift"
	OutsideVerifiedRange    Reason = "outside-verified-range"
	VerificationOverdue     Reason = "verification-overdue"
	Unverified              Reason = "unverified"
	ConstantChanged         Reason = "constant-changed"
	ReadingNotTrusted       Reason = "reading-not-trusted"
	ForcePressureDisagree   Reason = "force-pressure-disagree"
	ClockStep               Reason = "clock-step"
	Interrupted             Reason = "interrupted"
)

// severity orders the verdicts from best to worst.
var severity = []Verdict{Pass, Review, Incomplete, Void, Exceeded, Failed}

// Worst returns the worse of two verdicts. Unassigned is no judgement and
// gives way to any other.
func Worst(a, b Verdict) Verdict {
	if slices.Index(severity, b) > slices.Index(severity, a) {
		return b
	}
	return a
}
