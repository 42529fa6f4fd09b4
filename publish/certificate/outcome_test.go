package certificate

import (
	"strings"
	"testing"

	"thimbled/peak"
)

// inspections are what may have been found, by name.
var inspections = map[string][]Inspection{
	"none":     nil,
	"accepted": {{ItemInspected: peak.ItemInspected{Inspector: "B. Ek", Accepted: true, Examined: "all"}}},
	"rejected": {{ItemInspected: peak.ItemInspected{Inspector: "B. Ek", Examined: "all"}}},
	"accepted, then rejected": {
		{ItemInspected: peak.ItemInspected{Inspector: "B. Ek", Accepted: true, Examined: "all"}},
		{ItemInspected: peak.ItemInspected{Inspector: "C. Ek", Examined: "all"}},
	},
}

// The heading of each combination: only an accepted inspection of a test that
// passed, or that the inspector has reviewed, makes a certificate.
func TestHeadings(t *testing.T) {
	t.Parallel()
	type heading struct{ title, status string }
	notPassed := func(words string) map[string]heading {
		h := heading{"Proof-test record – NOT PASSED", "NOT PASSED – " + words}
		return map[string]heading{"none": h, "accepted": h, "rejected": h, "accepted, then rejected": h}
	}
	rejected := heading{"Proof-test record – NOT RELEASED", "NOT RELEASED – rejected by the inspector"}
	for verdict, by := range map[peak.Verdict]map[string]heading{
		peak.Pass: {
			"none":     {"Proof-test record – NOT RELEASED", "NOT RELEASED – inspection is due"},
			"accepted": {"Proof-test certificate", "Proof load held, item accepted by the inspector"},
			"rejected": rejected, "accepted, then rejected": rejected,
		},
		peak.Review: {
			"none":     {"Proof-test record – NOT RELEASED", "NOT RELEASED – review and inspection are due"},
			"accepted": {"Proof-test certificate, after review", "Reviewed and accepted by the inspector"},
			"rejected": rejected, "accepted, then rejected": rejected,
		},
		peak.Incomplete: notPassed("incomplete"),
		peak.Void:       notPassed("void"),
		peak.Exceeded:   notPassed("limit exceeded"),
		peak.Failed:     notPassed("failed"),
		peak.Unassigned: notPassed("nothing was required"),
	} {
		for name, want := range by {
			e := evidence(t, "j-101")
			e.Test.Verdict, e.Inspections = verdict, inspections[name]
			c := New(e, traces(t, e), options())
			if c.Outcome.Title != want.title || c.Outcome.Status != want.status {
				t.Errorf("%s, %s: headed %q, %q", verdict, name, c.Outcome.Title, c.Outcome.Status)
			}
			released := strings.Contains(want.title, "certificate")
			if c.Outcome.Released != released {
				t.Errorf("%s, %s: released is %v", verdict, name, c.Outcome.Released)
			}
			checkLooks(t, string(verdict)+", "+name, c, released)
		}
	}
}

// checkLooks checks that a page that releases nothing cannot be taken for one that
// does.
func checkLooks(t *testing.T, name string, c *Certificate, released bool) {
	t.Helper()
	page := htmlOf(t, c)
	if got := strings.Contains(page, `<body class="released `); got != released {
		t.Errorf("%s: the page looks released: %v", name, got)
	}
	if got := strings.Contains(page, "confirms the record alone. It does not release"); got == released {
		t.Errorf("%s: a signature is said to be of the record alone: %v", name, got)
	}
	if strings.Contains(page, "<h1>Proof-test certificate") != released {
		t.Errorf("%s: the page is headed as a certificate", name)
	}
	if strings.ContainsAny(page, "✓✔☑") {
		t.Errorf("%s: the page has a tick", name)
	}
}

// What a person said must be is said in full: an accepted finding of a test that
// did not pass does not count, and without reasons the verdict explains itself.
func TestOutcomeSaysWhy(t *testing.T) {
	for _, c := range []struct {
		verdict   peak.Verdict
		finding   finding
		explained bool
		says      string
	}{
		{peak.Incomplete, accepted, true, "The inspector's finding is “accepted”. That does not turn this test into a pass. This paper must not be used as a certificate of fitness."},
		{peak.Incomplete, notInspected, false, "The required load was not held for the required time. This paper must not be used as a certificate of fitness."},
		{peak.Failed, rejected, true, "The inspector rejected the item after the test. This paper must not be used as a certificate of fitness."},
		{peak.Pass, notInspected, true, "In every planned pull the required load was reached and held for the required time. No inspection after the test is on record. Nobody has accepted the item."},
	} {
		if got := strings.Join(judged(c.verdict, c.finding, c.explained, "test").Because, " "); got != c.says {
			t.Errorf("%s, %v: says %q", c.verdict, c.finding, got)
		}
	}
}

// Every verdict and reason of the closed sets has its words.
func TestWordsAreComplete(t *testing.T) {
	for _, v := range []peak.Verdict{peak.Pass, peak.Review, peak.Incomplete, peak.Void, peak.Exceeded, peak.Failed, peak.Unassigned} {
		if verdictWords[v] == "" || verdictSentences[v] == "" {
			t.Errorf("verdict %s has no words", v)
		}
	}
	for _, r := range []peak.Reason{
		peak.SuddenLoss, peak.AboveLimit, peak.SingleReadingAboveLimit, peak.HoldNotReached, peak.GapInPull, peak.ZeroShiftBeyondLimit,
		peak.OutsideVerifiedRange, peak.VerificationOverdue, peak.Unverified, peak.ConstantChanged, peak.ReadingNotTrusted,
		peak.ForcePressureDisagree, peak.ClockStep, peak.Interrupted,
	} {
		if s := reasonText(r); !strings.HasSuffix(s, " ("+string(r)+").") {
			t.Errorf("reason %s is told as %q", r, s)
		}
	}
	if verdictWord("of-another-version") != "of-another-version" {
		t.Error("a verdict without words is lost")
	}
	if reasonText("of-another-version") != "of-another-version" {
		t.Error("a reason without words is lost")
	}
	for _, e := range evidence(t, "j-105").Records {
		if recordWords[e.Type] == "" {
			t.Errorf("record %s has no words", e.Type)
		}
	}
}

func TestPlain(t *testing.T) {
	for in, want := range map[string]string{
		" a \t\r\n b\u00a0c\u2028d ": "a b c d", "\x00\x1b[31mred\x7f\u0085": "[31mred", "\u202eabc\u202c": "abc",
		"a\xffb": "a\ufffdb", "Łucja Nørgård": "Łucja Nørgård", "": "", "\u200f\u061c": "",
	} {
		if got := plain(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}
