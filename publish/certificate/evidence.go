package certificate

import (
	"crypto/sha256"
	"encoding/hex"
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
	// Inspections are what people found after the test, in the order of their
	// records. The last one counts.
	Inspections []Inspection
	// Runs are the runs of the daemon that the test was recorded in.
	Runs []Run
	// Records are all the records that belong to the test, in order.
	Records []Reference
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
	case e.last().Accepted:
		return accepted
	}
	return rejected
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
