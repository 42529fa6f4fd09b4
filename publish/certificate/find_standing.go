package certificate

import (
	"bytes"
	"maps"
	"slices"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// sinceEpoch lets the moments of all records be compared.
var sinceEpoch = publish.Clock{Epoch: time.Unix(0, 0)}

// standing is what the records so far say of how forces are read and judged.
type standing struct {
	verified    []Verified // one for each range; a new slice for each new one
	parameters  map[string]string
	changed     int64
	changes     []Change
	corrections map[int64][]correction
}

// correction is a record that cannot be decoded before the clock of its test is known.
type correction struct {
	event     publish.Event
	reference Reference
}

// follow takes a record that tells of it.
func (n *standing) follow(r publish.Record) error {
	event, err := publish.Decode(r.Event, sinceEpoch, publish.Traces{})
	if err != nil {
		return err
	}
	switch e := event.(type) {
	case peak.ForceVerified:
		n.verify(e.Verification, referenceTo(r))
	case peak.ParametersChanged:
		n.change(e, referenceTo(r))
	case peak.PullCorrected:
		if n.corrections == nil {
			n.corrections = map[int64][]correction{}
		}
		kept := r.Event
		kept.Data = bytes.Clone(kept.Data)
		n.corrections[e.New.Pull] = append(n.corrections[e.New.Pull], correction{kept, referenceTo(r)})
	}
	return nil
}

func (n *standing) verify(v peak.Verification, from Reference) {
	rest := slices.DeleteFunc(slices.Clone(n.verified), func(old Verified) bool { return old.Range == v.Range })
	n.verified = append(rest, verifiedOf(v, from))
}

// verifiedOf takes a verification whose moments count from the Unix epoch.
func verifiedOf(v peak.Verification, from Reference) Verified {
	return Verified{Verification: v, MadeAt: sinceEpoch.Wall(v.On), UntilAt: sinceEpoch.Wall(v.Until), Reference: from}
}

func (n *standing) change(e peak.ParametersChanged, from Reference) {
	if n.parameters == nil {
		n.parameters = map[string]string{}
	}
	n.changed = e.Count
	for _, c := range e.Changes {
		if c.New.Known {
			n.parameters[c.Name] = c.New.Value
		} else {
			delete(n.parameters, c.Name)
		}
		if c.Old.Known { // the first recording of a parameter is no change
			n.changes = append(n.changes, Change{c, from})
		}
	}
}

// tell gives the evidence what stood when its test ended. from is the first record of the
// test.
func (n *standing) tell(e *Evidence, from uint64) error {
	e.Parameters, e.Changed = maps.Clone(n.parameters), n.changed
	for _, c := range n.changes {
		if c.Reference.Number > from {
			e.Changes = append(e.Changes, c)
			e.refer(c.Reference)
		}
	}
	for _, a := range e.Test.Attempts {
		for _, v := range e.Verified[a.Ended.Pull] {
			e.refer(v.Reference)
		}
		for _, c := range n.corrections[a.Ended.Pull] {
			if err := e.correct(c); err != nil {
				return err
			}
		}
	}
	return nil
}

// correct takes a correction of one of the test's pulls.
func (e *Evidence) correct(c correction) error {
	event, err := publish.Decode(c.event, e.Clock, publish.Traces{})
	if err != nil {
		return err
	}
	e.Corrections = append(e.Corrections, Correction{event.(peak.PullCorrected), c.reference})
	slices.SortStableFunc(e.Corrections, func(a, b Correction) int { return byNumber(a.Reference, b.Reference) })
	e.refer(c.reference)
	return nil
}

// refer adds a record to those that belong to the test, once and in its place.
func (e *Evidence) refer(r Reference) {
	if i, there := slices.BinarySearchFunc(e.Records, r, byNumber); !there {
		e.Records = slices.Insert(e.Records, i, r)
	}
}

// corrected takes a correction that was recorded after the test.
func (s *search) corrected(r publish.Record) error {
	if s.found == nil {
		return nil
	}
	for pull, all := range s.now.corrections {
		last := all[len(all)-1]
		if last.reference.Number == r.Number && s.found.has(pull) {
			return s.found.correct(last)
		}
	}
	return nil
}

func (e *Evidence) has(pull int64) bool {
	return slices.ContainsFunc(e.Test.Attempts, func(a peak.Attempt) bool { return a.Ended.Pull == pull })
}

// sealed takes a checkpoint: the first one over all that belongs to the test so far.
func (s *search) sealed(r publish.Record) error {
	if s.found == nil || s.found.sealed() {
		return nil
	}
	sealed, err := sealedOver(r, s.found.Record.Number)
	if sealed != nil {
		s.found.Sealed = sealed
	}
	return err
}

// sealed says that a checkpoint seals every record of the test.
func (e *Evidence) sealed() bool {
	return e.Sealed != nil && uint64(e.Sealed.Size) >= e.Records[len(e.Records)-1].Number
}
