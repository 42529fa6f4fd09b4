package certificate

import (
	"fmt"
	"iter"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// VerificationEvidence is everything that a journal holds about one verification of the
// force readings.
type VerificationEvidence struct {
	Bench string
	// Verified is the result as it is recorded; the digest of its record identifies the
	// report.
	Verified Verified
	// Points are the comparisons. Their times count from the epoch of Clock.
	Points []peak.Point
	Clock  publish.Clock
	// Parameters are what touches a figure, by name, when it was recorded.
	Parameters map[string]string
	// Run is the run of the daemon that recorded it.
	Run Run
	// Replaced is the record of the verification of the same range that took its
	// place; nil as long as none did.
	Replaced *Reference
	// Sealed is the first checkpoint over its record; nil if there is none.
	Sealed *Sealed
}

// NotVerifiedError says that a record is no verification.
type NotVerifiedError struct {
	Record string
	// Verifications are the last ones of the journal, no more than 20, and Omitted is
	// how many there are before them.
	Verifications []Verified
	Omitted       int
}

// Error lists the verifications, each on a line of its own.
func (e *NotVerifiedError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "record %q is no verification of the force readings", e.Record)
	if len(e.Verifications) == 0 {
		b.WriteString("; the journal has none")
		return b.String()
	}
	b.WriteString("; name one by the number of its record")
	if e.Omitted > 0 {
		fmt.Fprintf(&b, " (the last of %d)", e.Omitted+len(e.Verifications))
	}
	for _, v := range e.Verifications {
		fmt.Fprintf(&b, "\n  record %d  made %s  %v to %v", v.Reference.Number, dateTime(v.MadeAt), v.From, v.To)
		if v.Range != "" {
			fmt.Fprintf(&b, "  range %s", plain(v.Range))
		}
	}
	return b.String()
}

// FindVerification collects from the records of a journal, which come from the first to
// the last, what belongs to the verification with the record of this number. Errors are
// those of the records, and a *NotVerifiedError.
func FindVerification(records iter.Seq2[publish.Record, error], number string) (*VerificationEvidence, error) {
	s := verificationSearch{}
	s.number, _ = strconv.ParseUint(number, 10, 64)
	for r, err := range records {
		if err == nil {
			err = s.take(r)
		}
		if err != nil {
			return nil, err
		}
	}
	if s.found == nil {
		return nil, &NotVerifiedError{Record: number, Verifications: s.all, Omitted: s.omitted}
	}
	return s.found, nil
}

// verificationSearch goes once through a journal.
type verificationSearch struct {
	number  uint64
	run     Run
	now     standing
	all     []Verified
	omitted int
	found   *VerificationEvidence
}

func (s *verificationSearch) take(r publish.Record) error {
	var err error
	switch r.Type {
	case peak.TypeDaemonStarted:
		s.run, err = runOf(r)
	case peak.TypeParametersChanged:
		err = s.now.follow(r)
	case peak.TypeForceVerified:
		err = s.verified(r)
	case peak.TypeJournalSealed:
		if s.found != nil && s.found.Sealed == nil {
			s.found.Sealed, err = sealedOver(r, s.number)
		}
	}
	if err != nil {
		return fmt.Errorf("record %d: %w", r.Number, err)
	}
	return nil
}

func (s *verificationSearch) verified(r publish.Record) error {
	event, err := publish.Decode(r.Event, sinceEpoch, publish.Traces{})
	if err != nil {
		return err
	}
	e := event.(peak.ForceVerified)
	v := verifiedOf(e.Verification, referenceTo(r))
	if len(s.all) == mostListed {
		s.all = slices.Delete(s.all, 0, 1)
		s.omitted++
	}
	s.all = append(s.all, v)
	switch {
	case r.Number == s.number:
		s.found = &VerificationEvidence{
			Bench: benchOf(r), Verified: v, Points: e.Points, Clock: sinceEpoch, Parameters: maps.Clone(s.now.parameters), Run: s.run,
		}
	case s.found != nil && s.found.Replaced == nil && v.Range == s.found.Verified.Range:
		s.found.Replaced = &v.Reference
	}
	return nil
}

// sealedOver is the checkpoint that a record holds, if it seals that record too.
func sealedOver(r publish.Record, number uint64) (*Sealed, error) {
	event, err := publish.Decode(r.Event, sinceEpoch, publish.Traces{})
	if err != nil {
		return nil, err
	}
	e := event.(peak.JournalSealed)
	if e.Size < 0 || uint64(e.Size) < number {
		return nil, nil
	}
	return &Sealed{e, referenceTo(r)}, nil
}

func benchOf(r publish.Record) string { return strings.TrimPrefix(r.Source, publish.Source("")) }

// day is a moment as a day, UTC.
func day(t time.Time) string { return t.UTC().Format(time.DateOnly) }
