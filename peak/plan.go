package peak

import (
	"errors"
	"strconv"
)

// Layout is an item as it lies in the bench, and what the bench can load of it
// in one pull. Lengths run along the item, or along each leg of a sling, from
// bearing point to bearing point.
type Layout struct {
	// Length is that of the item or of one leg, with its end fittings.
	Length Length
	// FittingA and FittingB are the lengths of the end fittings, which no grip
	// can hold in the middle.
	FittingA, FittingB Length
	// Legs is 1 for an item without legs, at most [MostLegs].
	Legs int
	// Span is the longest item that the bench can pull in one go.
	Span Length
	// Grip is what a grip on the body takes of the span and does not load.
	Grip Length
}

// Bounds of a layout.
const (
	LongestItem = 10_000 * Metre
	MostLegs    = 8
)

// Errors of a layout that cannot be.
var (
	ErrItemLength = errors.New("the item's length must be above 0 m and at most 10000 m")
	ErrFittings   = errors.New("the end fittings must not be shorter than 0 m, nor together longer than the item")
	ErrLegs       = errors.New("an item has 1 to 8 legs")
	ErrSpan       = errors.New("the span that the bench can load must be above 0 m and at most 10000 m")
	ErrGrip       = errors.New("the grip must be at least 0 m and shorter than the span")
)

// Check says what is wrong with a layout.
func (l Layout) Check() error {
	switch {
	case l.Length <= 0 || l.Length > LongestItem:
		return ErrItemLength
	case l.FittingA < 0 || l.FittingB < 0 || l.FittingA > l.Length || l.FittingB > l.Length-l.FittingA:
		return ErrFittings
	case l.Legs < 1 || l.Legs > MostLegs:
		return ErrLegs
	case l.Span <= 0 || l.Span > LongestItem:
		return ErrSpan
	case l.Grip < 0 || l.Grip >= l.Span:
		return ErrGrip
	}
	return nil
}

// End is the end fitting that is held in a pull.
type End string

// The ends. Both ends are held when one pull loads the whole length.
const (
	BothEnds End = ""
	EndA     End = "A"
	EndB     End = "B"
)

// Setup is how the item lies in the bench for one pull.
type Setup struct {
	Leg    int  // from 1; 0 for an item without legs and for the master link
	Master bool // the master link, which has a rule of its own and no span
	End    End
	// From and To bound what is loaded, counted from end A.
	From, To Length
}

// Plan is the pulls that load every part of an item.
type Plan struct {
	// Setups are in the order of the work; none if the item cannot be tested
	// whole.
	Setups []Setup
	// Overlap is loaded by both pulls of a length; unknown with one pull.
	Overlap Maybe[Length]
	// Longest is the longest item with these fittings that the bench can test
	// whole; 0 if there is none.
	Longest Length
	// Why says in a sentence why the item cannot be tested whole; empty if it
	// can.
	Why string
}

// PlanPulls finds the pulls that a layout needs. A length of up to the span
// takes one pull. A longer one is pulled twice, held by one end fitting and by a
// grip on its body, and turned end for end in between:
//
//	end A                                     end B
//	 |=a=|---------------------------------|=b=|
//	 |<-------- loaded -------->|grip|              pull 1 holds end A
//	        |grip|<-------- loaded ----------->|    pull 2 holds end B
//	             |<-- overlap ->|
//
// Each pull takes no more than the span, loads all of it but the grip, and
// grips the body as far off as it can. A sling is pulled leg by leg, and then its
// master link. A length that just fits can be pulled.
func PlanPulls(l Layout) (Plan, error) {
	if err := l.Check(); err != nil {
		return Plan{}, err
	}
	plan := Plan{Longest: l.longest()}
	length, overlap := l.setups()
	if len(length) == 0 {
		plan.Why = l.why()
		return plan, nil
	}
	plan.Overlap = overlap
	if l.Legs == 1 {
		plan.Setups = length
		return plan, nil
	}
	for leg := range l.Legs {
		for _, s := range length {
			s.Leg = leg + 1
			plan.Setups = append(plan.Setups, s)
		}
	}
	plan.Setups = append(plan.Setups, Setup{Master: true})
	return plan, nil
}

// setups are the pulls of one length; none if there is no way.
func (l Layout) setups() ([]Setup, Maybe[Length]) {
	if l.Length <= l.Span {
		return []Setup{{To: l.Length}}, Maybe[Length]{}
	}
	reach := l.Span - l.Grip
	a := min(reach, l.Length-l.FittingB-l.Grip)
	b := min(reach, l.Length-l.FittingA-l.Grip)
	if l.body() == 0 || a+b < l.Length {
		return nil, Maybe[Length]{}
	}
	return []Setup{{End: EndA, To: a}, {End: EndB, From: l.Length - b, To: l.Length}}, Known(a + b - l.Length)
}

// body is what a grip can hold.
func (l Layout) body() Length { return l.Length - l.FittingA - l.FittingB }

// turnable says whether each fitting leaves room in the span for two grips: the
// one of its own pull, and that of the other pull, which must lie where this one
// loads.
func (l Layout) turnable() bool { return max(l.FittingA, l.FittingB) <= l.Span-2*l.Grip }

// twice is the most that two pulls load.
func (l Layout) twice() Length { return 2 * (l.Span - l.Grip) }

// longest is the greatest length with these fittings that there are pulls for; 0
// if there is none.
func (l Layout) longest() Length {
	fittings := l.FittingA + l.FittingB
	switch {
	case l.turnable() && l.twice() > max(l.Span, fittings):
		return l.twice()
	case fittings <= l.Span:
		return l.Span
	}
	return 0
}

// why says what stands against two pulls.
func (l Layout) why() string {
	text := "The item cannot be tested whole on this bench: it is longer than the span of " + l.Span.String() + ", and "
	switch {
	case !l.turnable():
		text += "an end fitting leaves no room in the span for the grips beside it"
	case l.Length > l.twice():
		text += "two pulls load " + l.twice().String() + " at most"
	case l.body() == 0:
		text += "between its end fittings there is no body to grip"
	default:
		text += "its body of " + l.body().String() + " is too short for two grips of " + l.Grip.String() + " side by side"
	}
	if l.longest() == 0 {
		return text + ". No item with these end fittings can."
	}
	return text + ". The longest that can, with these end fittings, is " + l.longest().String() + "."
}

// Label names the pull, as in "leg 2, end A".
func (s Setup) Label() string {
	label := "whole length"
	switch {
	case s.Master:
		return "master link"
	case s.End != BothEnds:
		label = "end " + string(s.End)
	}
	switch {
	case s.Leg == 0:
		return label
	case s.End == BothEnds:
		return "leg " + strconv.Itoa(s.Leg)
	}
	return "leg " + strconv.Itoa(s.Leg) + ", " + label
}

// String says in plain words how the item lies and what is loaded.
func (s Setup) String() string {
	length := "the item"
	if s.Leg > 0 {
		length = "leg " + strconv.Itoa(s.Leg)
	}
	switch {
	case s.Master:
		return "Hold the master link alone; it has its own rule."
	case s.End == BothEnds:
		return "Hold " + length + " by both end fittings; all of it is loaded."
	case s.End == EndA:
		return "Hold " + length + " by end A and by a grip on its body; from end A up to " + s.To.String() + " is loaded."
	}
	return "Turn " + length + " end for end; hold end B and a grip on the body; from " + s.From.String() +
		" behind end A up to end B is loaded."
}
