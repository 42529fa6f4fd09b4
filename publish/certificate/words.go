package certificate

import (
	"strings"
	"unicode"

	"thimbled/peak"
)

// verdictWords say what each verdict of a pull means.
var verdictWords = map[peak.Verdict]string{
	peak.Pass:       "passed",
	peak.Review:     "needs review",
	peak.Incomplete: "incomplete",
	peak.Void:       "void",
	peak.Exceeded:   "limit exceeded",
	peak.Failed:     "failed",
	peak.Unassigned: "nothing was required",
}

// verdictSentences say what each verdict of a test means.
var verdictSentences = map[peak.Verdict]string{
	peak.Pass:       "In every planned pull the required load was reached and held for the required time.",
	peak.Review:     "The required load was reached and held, but something happened that a person must weigh.",
	peak.Incomplete: "The required load was not held for the required time.",
	peak.Void:       "The measurement cannot count, whatever load the item saw.",
	peak.Exceeded:   "The load went above the limit.",
	peak.Failed:     "The load was lost suddenly before the hold was complete.",
	peak.Unassigned: "Nothing was required of the item.",
}

// reasonSentences say in plain words what each reason is.
var reasonSentences = map[peak.Reason]string{
	peak.SuddenLoss:              "The load fell suddenly.",
	peak.AboveLimit:              "The load went above the limit.",
	peak.SingleReadingAboveLimit: "One reading was above the limit, and those beside it were not.",
	peak.HoldNotReached:          "The required load was not held for the required time.",
	peak.GapInPull:               "For some time during the pull there was no reading.",
	peak.ZeroShiftBeyondLimit:    "Zero after the pull was too far from zero before it.",
	peak.OutsideVerifiedRange:    "The load was outside the range that the readings are verified in.",
	peak.VerificationOverdue:     "The verification of the readings was overdue.",
	peak.Unverified:              "The readings were not verified.",
	peak.ConstantChanged:         "The indicator's calibration constant changed during the pull.",
	peak.ReadingNotTrusted:       "A reading during the pull could not be trusted.",
	peak.ForcePressureDisagree:   "Force and pressure did not agree.",
	peak.ClockStep:               "The computer's clock was set during the pull.",
	peak.Interrupted:             "The recording was interrupted during the pull.",
}

// reasonText is a reason with its word, so that it can be found in the record.
func reasonText(r peak.Reason) string {
	if s := reasonSentences[r]; s != "" {
		return strings.TrimSuffix(s, ".") + " (" + string(r) + ")."
	}
	return plain(string(r))
}

// verdictWord is a verdict as people read it.
func verdictWord(v peak.Verdict) string {
	if s := verdictWords[v]; s != "" {
		return s
	}
	return plain(string(v))
}

// recordWords say what each type of record is.
var recordWords = map[string]string{
	peak.TypeDaemonStarted: "recording started",
	peak.TypeJobOpened:     "job opened",
	peak.TypePullStarted:   "pull started",
	peak.TypePullEnded:     "pull ended",
	peak.TypePullRepeated:  "repeat asked for",
	peak.TypePullAssigned:  "pull assigned",
	peak.TypeTestEnded:     "test ended",
	peak.TypeItemInspected: "item inspected",

	peak.TypeForceVerified:     "force verified",
	peak.TypeParametersChanged: "new parameters",
	peak.TypePullCorrected:     "pull corrected",
}

// plain makes a text that a person wrote fit for a line of print: white space is
// one blank, and control characters are dropped, among them those that turn the
// direction of writing and would make a text look like another.
func plain(s string) string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "\ufffd")), " ")
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			return -1
		}
		return r
	}, s)
}

// or returns the text, or what stands for its absence.
func or(s, absent string) string {
	if s = plain(s); s == "" {
		return absent
	}
	return s
}
