package certificate

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// Evidence is everything that a journal holds about one test.
type Evidence struct {
	Bench string
	// Record is the record that ended the test. Its digest identifies the
	// certificate.
	Record Reference
	// Test is the whole result. Its times count from the epoch of Clock.
	Test  peak.TestEnded
	Clock publish.Clock
	// Traces are those of the pulls, by the pull's number. A pull that could not
	// be traced has none.
	Traces publish.Traces
	// Removed are the records that traces of these pulls were removed for good, by the
	// pull's number.
	Removed map[int64]Reference
	// Inspections are what people found after the test, in the order of their
	// records. The last one counts.
	Inspections []Inspection
	// Runs are the runs of the daemon that the test was recorded in.
	Runs []Run
	// Verified are, by the pull's number, the verifications that were on record when
	// the pull began, at most one for each range.
	Verified map[int64][]Verified
	// Parameters are what touches a figure, by name, when the test ended; none in a
	// journal that does not record them. Changed is how often one was changed up to
	// then, and Changes are those during the test.
	Parameters map[string]string
	Changed    int64
	Changes    []Change
	// Corrections are the judgements anew of pulls of the test, in the order of
	// their records. The last one of a pull counts.
	Corrections []Correction
	// Sealed is the first checkpoint over all records of the test, or else over
	// those up to its end; nil if there is none.
	Sealed *Sealed
	// Budgeted says that the record tells held forces and uncertainties. Older ones
	// do not.
	Budgeted bool
	// Records are all the records that belong to the test, in order.
	Records []Reference
}

// Verified is a verification of the force readings with its record.
type Verified struct {
	peak.Verification // its moments are those below
	MadeAt, UntilAt   time.Time
	Reference         Reference
}

// Change is a parameter that got another value.
type Change struct {
	peak.Change
	Reference Reference
}

// Correction is what a pull came to with the right scale. The times of both
// judgements count from the epoch of the test's clock.
type Correction struct {
	peak.PullCorrected
	Reference Reference
}

// Sealed is a signed checkpoint over the journal's first records.
type Sealed struct {
	peak.JournalSealed
	Reference Reference
}

// Reference names a record so that it can be found and compared.
type Reference struct {
	Number uint64
	Type   string
	At     time.Time // when it happened
	SHA256 string    // of the record's line without its line feed, in lower-case hex
}

// Inspection is what a person found who looked at the item.
type Inspection struct {
	peak.ItemInspected
	Reference Reference
}

// Run is a run of the daemon.
type Run struct {
	Version, ConfigDigest string
	Reference             Reference
}

// finding is what the inspections come to.
type finding int

const (
	notInspected finding = iota
	accepted
	rejected
)

func (e *Evidence) finding() finding {
	switch {
	case len(e.Inspections) == 0:
		return notInspected
	case e.verdict() != e.Test.Verdict && e.last().Accepted && e.last().Reference.Number < e.Corrections[len(e.Corrections)-1].Reference.Number:
		return notInspected // what was accepted is not what the test came to
	case e.last().Accepted:
		return accepted
	}
	return rejected
}

// correctionOf returns the correction of a pull that counts.
func (e *Evidence) correctionOf(pull int64) (Correction, bool) {
	for _, c := range slices.Backward(e.Corrections) {
		if c.New.Pull == pull {
			return c, true
		}
	}
	return Correction{}, false
}

// verdict is that of the test or, if it is worse, what corrections of the pulls that
// count come to.
func (e *Evidence) verdict() peak.Verdict {
	v := e.Test.Verdict
	for k, a := range e.Test.Attempts {
		if c, ok := e.correctionOf(a.Ended.Pull); ok && e.counts(k) {
			v = peak.Worst(v, c.New.Verdict)
		}
	}
	return v
}

// counts says that no later attempt took the place of this one.
func (e *Evidence) counts(k int) bool {
	planned := e.Test.Attempts[k].Planned
	return !slices.ContainsFunc(e.Test.Attempts[k+1:], func(a peak.Attempt) bool { return a.Planned == planned })
}

// last is the inspection that counts.
func (e *Evidence) last() Inspection { return e.Inspections[len(e.Inspections)-1] }

// madeWith reports whether the whole test was recorded under the config of this
// digest.
func (e *Evidence) madeWith(digest string) bool {
	for _, r := range e.Runs {
		if r.ConfigDigest != digest {
			return false
		}
	}
	return len(e.Runs) > 0
}

func referenceTo(r publish.Record) Reference {
	sum := sha256.Sum256(r.Line)
	return Reference{Number: r.Number, Type: r.Type, At: r.Time, SHA256: hex.EncodeToString(sum[:])}
}
